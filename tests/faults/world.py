"""A whole running Musterwell (web, worker, beat by `manage.py up`) on a database of its own, made to be killed."""

import contextlib
import ctypes
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlsplit, urlunsplit

import psycopg
import redis

from tests.faults.scenarios import SCENARIOS

ROOT = Path(__file__).resolve().parents[2]
LEASE_S = 3
LIBC = ctypes.CDLL(None) if sys.platform == "linux" else None


class Store(Protocol):
    """Where a world keeps its rows: made once as a template, copied for each world."""

    def env(self, name: str, folder: Path) -> dict[str, str]: ...
    def create(self, name: str, folder: Path) -> None: ...
    def copy(self, template: str, name: str, folder: Path) -> None: ...
    def rows(self, name: str, folder: Path, sql: str) -> list[tuple[Any, ...]]: ...
    def drop(self, name: str, folder: Path) -> None: ...


class SqliteStore:
    """SQLite and the file broker, both in the world's folder."""

    label = "sqlite"

    def env(self, name: str, folder: Path) -> dict[str, str]:
        return {}

    def create(self, name: str, folder: Path) -> None:
        pass

    def copy(self, template: str, name: str, folder: Path) -> None:
        source = folder.parent / template / "musterwell.sqlite3"
        with sqlite3.connect(source) as old, sqlite3.connect(folder / "musterwell.sqlite3") as new:
            old.backup(new)

    def rows(self, name: str, folder: Path, sql: str) -> list[tuple[Any, ...]]:
        with contextlib.closing(sqlite3.connect(folder / "musterwell.sqlite3", timeout=20)) as connection:
            return connection.execute(sql).fetchall()

    def drop(self, name: str, folder: Path) -> None:
        assert self.rows(name, folder, "PRAGMA quick_check") == [("ok",)]


class PostgresStore:
    """PostgreSQL and Redis; the addresses are those of the test run, the database is a new one."""

    label = "postgres"

    def __init__(self, database_url: str, redis_url: str) -> None:
        self.database_url = database_url
        self.redis_url = redis_url

    def url(self, name: str) -> str:
        return urlunsplit(urlsplit(self.database_url)._replace(path=f"/{name}"))

    def admin(self, *statements: str) -> None:
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            for statement in statements:
                connection.execute(statement.encode())

    def env(self, name: str, folder: Path) -> dict[str, str]:
        return {"DATABASE_URL": self.url(name), "REDIS_URL": self.redis_url, "REDIS_KEY_PREFIX": f"{name}:"}

    def create(self, name: str, folder: Path) -> None:
        self.admin(f'CREATE DATABASE "{name}"')

    def copy(self, template: str, name: str, folder: Path) -> None:
        self.admin(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')

    def rows(self, name: str, folder: Path, sql: str) -> list[tuple[Any, ...]]:
        with psycopg.connect(self.url(name)) as connection:
            return connection.execute(sql.encode()).fetchall()

    def drop(self, name: str, folder: Path) -> None:
        self.admin(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
        with contextlib.closing(redis.Redis.from_url(self.redis_url)) as broker:
            for key in broker.scan_iter(f"{name}:*"):
                broker.delete(key)


def die_with_parent() -> None:
    """A test run that is killed takes its worlds with it (Linux)."""
    if LIBC is not None:
        LIBC.prctl(1, signal.SIGTERM)


def wait_until(what: str, check: Callable[[], Any], within_s: float = 60) -> Any:
    """Polls `check` until it answers something true; fails with `what` at the deadline."""
    deadline = time.monotonic() + within_s
    while True:
        if answer := check():
            return answer
        if time.monotonic() > deadline:
            raise AssertionError(f"Not within {within_s:.0f} s: {what}")
        time.sleep(0.1)


class Background:
    """Runs a function beside the test; `answer` waits for it and raises what it raised."""

    def __init__(self, function: Callable[[], Any]) -> None:
        self.function = function
        self.result: Any = None
        self.error: BaseException | None = None
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        try:
            self.result = self.function()
        except BaseException as error:
            self.error = error

    def answer(self) -> Any:
        self.thread.join()
        if self.error is not None:
            raise self.error
        return self.result


class World:
    """One copy of the scene and the processes on it."""

    def __init__(self, store: Store, folder: Path, name: str, kind: str) -> None:
        self.store, self.folder, self.name, self.kind = store, folder, name, kind
        self.once = folder / "fault-happened"
        self.up: subprocess.Popen[bytes] | None = None
        self.port = 0
        folder.mkdir(parents=True, exist_ok=True)

    def env(self, fault: str = "", scope: str = "") -> dict[str, str]:
        clean = {key: value for key, value in os.environ.items() if key not in {"DATABASE_URL", "REDIS_URL"}}
        return {
            **clean,
            **self.store.env(self.name, self.folder),
            "DJANGO_SETTINGS_MODULE": "tests.faults.settings",
            "MUSTERWELL_DATA_DIR": str(self.folder),
            "DEBUG": "1",
            "JOB_LEASE_SECONDS": str(LEASE_S),
            "JOB_MAX_ATTEMPTS": "10",
            "MUSTERWELL_ALLOW_FAULTS": "1",
            "MUSTERWELL_FAULT": fault,
            "MUSTERWELL_FAULT_SCOPE": scope,
            "MUSTERWELL_FAULT_ONCE": str(self.once),
        }

    def run(self, *argv: str, fault: str = "", dies: bool = False) -> str:
        """Runs a Python command in this world. `dies` expects it to be killed at its fault point."""
        done = subprocess.run(
            [sys.executable, *argv],
            cwd=ROOT,
            env=self.env(fault),
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        wanted = -signal.SIGKILL if dies else 0
        assert done.returncode == wanted, (
            f"{argv} ended with {done.returncode}:\n{done.stdout}\n{done.stderr}"
        )
        return done.stdout

    def act(self, action: str, step: int = 0, fault: str = "", dies: bool = False) -> Any:
        printed = self.run("-m", "tests.faults.act", self.kind, action, str(step), fault=fault, dies=dies)
        return None if dies else json.loads(printed.strip().splitlines()[-1])

    def start(self, *, web: bool = False, fault: str = "", scope: str = "") -> None:
        """Starts worker and beat, and the web if asked; returns when they are there."""
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        parts = ["worker", "beat", "web"] if web else ["worker", "beat"]
        with (self.folder / "up.log").open("ab") as log:
            self.up = subprocess.Popen(
                [sys.executable, "manage.py", "up", "--port", str(self.port), "--only", *parts],
                cwd=ROOT,
                env=self.env(fault, scope),
                stdout=log,
                stderr=log,
                start_new_session=True,
                preexec_fn=die_with_parent,
            )
        wait_until("worker pool and beat are there", self.is_up)
        if web:
            wait_until("the web answers", self.web_answers)

    def is_up(self) -> bool:
        assert self.up is not None
        assert self.up.poll() is None, f"the start ended by itself:\n{self.log()}"
        return len(self.processes("worker")) >= (3 if self.store.label == "postgres" else 2) and bool(
            self.processes("beat")
        )

    def web_answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/healthz", timeout=2) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    def processes(self, role: str) -> list[int]:
        """Process ids of a role of this world, the parent first."""
        words = {"web": b"gunicorn", "worker": b"worker", "beat": b"beat", "up": b"fleet.lib.supervisor"}
        found = []
        for pid in self.descendants():
            with contextlib.suppress(OSError):
                words_of = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
                if words[role] in words_of and (role == "up" or b"fleet.lib.supervisor" not in words_of):
                    found.append(pid)
        return found

    def descendants(self) -> list[int]:
        if self.up is None:
            return []
        children: dict[int, list[int]] = {}
        for stat in Path("/proc").glob("[0-9]*/stat"):
            with contextlib.suppress(OSError):
                fields = stat.read_text().rpartition(")")[2].split()
                children.setdefault(int(fields[1]), []).append(int(stat.parent.name))
        found, todo = [], [self.up.pid]
        while todo:
            pid = todo.pop(0)
            found.append(pid)
            todo += sorted(children.get(pid, []))
        return found

    def kill(self, role: str) -> None:
        """kill -9: 'worker', 'web' or 'beat' with all below it, 'pool' one process of the worker, 'idle' all but the
        first, 'all' everything.
        """
        if role in ("pool", "idle"):
            victims = self.processes("worker")[1 : 2 if role == "pool" else None]
        elif role == "all":
            victims = self.descendants()
        else:
            victims = self.processes(role)
        for pid in victims:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        if role == "all" and self.up is not None:
            self.up.wait()
            self.up = None

    def stop_all(self) -> None:
        """Stops as Ctrl-C does and checks that nothing is left."""
        if self.up is None:
            return
        pids = self.descendants()
        self.up.send_signal(signal.SIGINT)
        assert self.up.wait(timeout=40) == 0, self.log()
        self.up = None
        left = [pid for pid in pids if Path(f"/proc/{pid}").exists()]
        assert left == [], f"still there after the stop: {left}"

    def log(self) -> str:
        with contextlib.suppress(OSError):
            return (self.folder / "up.log").read_text(errors="replace")[-4000:]
        return ""

    def jobs(self) -> list[tuple[str, str, int]]:
        """(kind, state, attempt) of every job."""
        return self.store.rows(
            self.name, self.folder, "SELECT kind, state, attempt FROM fleet_job ORDER BY created_at"
        )

    def work(self, first: int = 0) -> None:
        """Takes every step of the scenario from `first` on, each to its end."""
        for step in range(first, SCENARIOS[self.kind].steps):
            self.act("start", step)
            self.finish()

    def finish(self, within_s: float = 120) -> None:
        """Waits until no job is open."""

        def all_ended() -> bool:
            states = [state for _kind, state, _attempt in self.jobs()]
            return bool(states) and not {"queued", "running"} & set(states)

        try:
            wait_until("every job has ended", all_ended, within_s)
        except AssertionError as error:
            raise AssertionError(f"{error}\n{self.jobs()}\n{self.log()}") from None
        assert {state for _kind, state, _attempt in self.jobs()} == {"done"}, f"{self.jobs()}\n{self.log()}"


def empty_world(store: Store, folder: Path) -> World:
    """A migrated database without rows, to copy from."""
    name = f"mw_{uuid.uuid4().hex[:8]}_empty"
    world = World(store, folder / name, name, "")
    store.create(name, world.folder)
    world.run("manage.py", "migrate", "--verbosity", "0")
    return world


class Stage:
    """Makes worlds of one kind: prepares the scene once on an empty migrated database, then copies it."""

    def __init__(self, store: Store, folder: Path, empty: World, kind: str) -> None:
        self.store, self.folder, self.kind = store, folder, kind
        self.mark = f"mw_{uuid.uuid4().hex[:8]}_{kind}"
        self.count = 0
        self.template = self._make("template")
        store.copy(empty.name, self.template.name, self.template.folder)
        self.template.act("prepare")

    def _make(self, suffix: str) -> World:
        name = f"{self.mark}_{suffix}"
        return World(self.store, self.folder / name, name, self.kind)

    @contextlib.contextmanager
    def world(self) -> Iterator[World]:
        self.count += 1
        world = self._make(str(self.count))
        self.store.copy(self.template.name, world.name, world.folder)
        try:
            yield world
        finally:
            world.kill("all")
            self.store.drop(world.name, world.folder)
            shutil.rmtree(world.folder, ignore_errors=True)

    def undisturbed(self) -> tuple[Any, float]:
        """The digest of a run without kills, and the seconds from the first job's row to the end of the last."""
        with self.world() as world:
            world.start()
            began = Background(lambda: wait_until("a job is there", world.jobs) and time.monotonic())
            world.work()
            seconds = time.monotonic() - began.answer()
            return world.act("digest"), seconds

    def close(self) -> None:
        self.store.drop(self.template.name, self.template.folder)
