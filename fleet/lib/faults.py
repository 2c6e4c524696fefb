"""Named places in the code where a test may kill the process, to show that nothing is lost or doubled.

Does nothing unless MUSTERWELL_ALLOW_FAULTS=1 and MUSTERWELL_FAULT=`name:n` are set: then the n-th pass through the
point `name` ends this process by kill -9. MUSTERWELL_FAULT_SCOPE=group kills the whole process group (a worker with
all its pool processes). MUSTERWELL_FAULT_ONCE=path makes it happen once among all processes that share the path.
"""

import os
import signal
from collections import Counter

_passes: Counter[str] = Counter()


def planned_fault() -> tuple[str, int] | None:
    """The fault asked for by the environment, as (name, pass number), or None."""
    if os.environ.get("MUSTERWELL_ALLOW_FAULTS") != "1":
        return None
    name, _, number = os.environ.get("MUSTERWELL_FAULT", "").rpartition(":")
    return (name, int(number)) if name and number.isdigit() else None


def fault_point(name: str) -> None:
    """Marks a place between two steps, such as `sweep:chunk-written`. Costs next to nothing in normal work."""
    planned = planned_fault()
    if planned is None or planned[0] != name:
        return
    _passes[name] += 1
    if _passes[name] == planned[1] and _claim_once():
        _die()


def _claim_once() -> bool:
    path = os.environ.get("MUSTERWELL_FAULT_ONCE")
    if not path:
        return True
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        return False
    return True


def _die() -> None:
    if os.environ.get("MUSTERWELL_FAULT_SCOPE") == "group":
        os.killpg(0, signal.SIGKILL)
    os.kill(os.getpid(), signal.SIGKILL)
