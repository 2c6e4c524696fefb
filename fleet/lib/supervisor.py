"""Keeps a few child processes running until told to stop. Standard library only, so that it stays light.

Started as `python -m fleet.lib.supervisor`, with the plan as JSON on the first argument; see `Plan`.
Each child has a session of its own: Ctrl-C reaches only the supervisor, which then stops the children in order.
"""

import contextlib
import ctypes
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from dataclasses import asdict, dataclass, field
from typing import Any

PR_SET_PDEATHSIG = 1
STOP_SIGNALS = {signal.SIGINT, signal.SIGTERM, signal.SIGHUP}
SETTLED_AFTER_S = 10.0
LONGEST_PAUSE_S = 30.0


@dataclass
class Child:
    """One process to keep alive. `stop_last` leaves it running until the others are gone."""

    name: str
    argv: list[str]
    env: dict[str, str] = field(default_factory=dict)
    stop_last: bool = False


@dataclass
class Plan:
    """What to run. `greeting` is printed once the host and port of `answer_at`, if any, answer."""

    children: list[Child]
    greeting: str
    answer_at: tuple[str, int] | None = None
    grace_s: float = 15.0

    def to_json(self) -> str:
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> "Plan":
        data: dict[str, Any] = json.loads(text)
        data["children"] = [Child(**child) for child in data["children"]]
        return cls(**data)


def port_is_free(host: str, port: int) -> bool:
    """True when a server could listen there now."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def wait_for_port(host: str, port: int, wait_s: float) -> bool:
    """Waits until the port is free; says so once when it is not. False when it stayed taken."""
    if port_is_free(host, port):
        return True
    say(f"Port {port} on {host} is in use by another program. Waiting up to {wait_s:.0f} s for it.")
    deadline = time.monotonic() + wait_s
    while time.monotonic() < deadline:
        time.sleep(0.5)
        if port_is_free(host, port):
            return True
    return False


def answers(host: str, port: int) -> bool:
    target = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    try:
        with socket.create_connection((target, port), timeout=0.3):
            return True
    except OSError:
        return False


def say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


class Inbox:
    """Signals as something one can wait for, the same on Linux and macOS."""

    def __init__(self) -> None:
        self.reader, writer = socket.socketpair()
        self.reader.setblocking(False)
        writer.setblocking(False)
        self.writer = writer
        for number in (*STOP_SIGNALS, signal.SIGCHLD):
            signal.signal(number, lambda *_: None)
        signal.set_wakeup_fd(writer.fileno(), warn_on_full_buffer=False)

    def wait(self, seconds: float) -> set[int]:
        """The signals that came within `seconds`; returns at the first one."""
        ready, _, _ = select.select([self.reader], [], [], max(0.0, seconds))
        return set(self.reader.recv(4096)) if ready else set()


class Running:
    """A child with the state that restarting needs."""

    def __init__(self, child: Child, libc: Any) -> None:
        self.child = child
        self.libc = libc
        self.process: subprocess.Popen[bytes] | None = None
        self.started_at = 0.0
        self.pause_s = 1.0
        self.start_again_at = 0.0

    def start(self) -> None:
        self.started_at = time.monotonic()
        self.process = subprocess.Popen(
            self.child.argv,
            env={**os.environ, **self.child.env},
            stdin=subprocess.DEVNULL,
            start_new_session=True,
            preexec_fn=self._in_child,
        )

    def _in_child(self) -> None:
        if self.libc is not None:
            self.libc.prctl(PR_SET_PDEATHSIG, signal.SIGTERM)  # no orphans when we are killed ourselves

    @property
    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def note_death(self) -> None:
        """Called when the process was found dead: plans the restart, later each time it dies young."""
        assert self.process is not None
        lived_s = time.monotonic() - self.started_at
        self.pause_s = 1.0 if lived_s > SETTLED_AFTER_S else min(self.pause_s * 2, LONGEST_PAUSE_S)
        code = self.process.returncode
        how = f"by signal {-code}" if code < 0 else f"with code {code}"
        say(f"The {self.child.name} process ended {how}. Starting it again in {self.pause_s:.0f} s.")
        self.kill_group()  # what a killed parent left behind
        self.process = None
        self.start_again_at = time.monotonic() + self.pause_s

    def terminate(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()

    def kill_group(self) -> None:
        if self.process is not None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.process.pid, signal.SIGKILL)


def supervise(plan: Plan) -> int:
    """Runs the plan until SIGINT or SIGTERM. Returns the exit code."""
    inbox = Inbox()
    try:
        libc: Any = ctypes.CDLL("libc.so.6", use_errno=True) if sys.platform == "linux" else None
    except OSError:
        libc = None
    running = [Running(child, libc) for child in plan.children]
    for one in running:
        one.start()
    greeted = False
    while True:
        wait_s = 0.25 if not greeted else next_wait(running)
        if inbox.wait(wait_s) & STOP_SIGNALS:
            break
        for one in running:
            if one.process is not None and not one.alive:
                one.note_death()
            if one.process is None and time.monotonic() >= one.start_again_at:
                one.start()
        if not greeted and (plan.answer_at is None or answers(*plan.answer_at)):
            greeted = True
            say(plan.greeting)
    say("Stopping.")
    stop(running, inbox, plan.grace_s)
    return 0


def next_wait(running: list[Running]) -> float:
    """Seconds until a planned restart; an hour when nothing is planned (a signal ends the wait)."""
    planned = [one.start_again_at for one in running if one.process is None]
    return max(0.05, min(planned) - time.monotonic()) if planned else 3600.0


def stop(running: list[Running], inbox: Inbox, grace_s: float) -> None:
    """Asks the children to end, those marked `stop_last` after the others; kills what is left at the deadline."""
    deadline = time.monotonic() + grace_s
    for last in (False, True):
        group = [one for one in running if one.child.stop_last is last]
        for one in group:
            one.terminate()
        while any(one.alive for one in group) and time.monotonic() < deadline:
            if signal.SIGINT in inbox.wait(min(0.2, deadline - time.monotonic())):
                deadline = time.monotonic()  # a second Ctrl-C: at once
    for one in running:
        if one.alive:
            say(
                f"The {one.child.name} process did not end in {grace_s:.0f} s and is killed; its job runs again."
            )
        one.kill_group()
        if one.process is not None:
            one.process.wait()


if __name__ == "__main__":
    sys.exit(supervise(Plan.from_json(sys.argv[1])))
