"""Background jobs: how a kind of work plugs in. The machinery itself is `fleet.services.jobs`.

A handler is a function registered for a kind, in a module that is imported at start (an app's `tasks.py`):

    @job_handler("sweep")
    def run(ctx: JobContext) -> dict[str, Any]:
        units = list_units(ctx.params["place_id"])
        for number, chunk in enumerate(chunks(units), start=1):
            ctx.check_cancelled()                       # raises JobCancelled when a person asked to stop
            answers = compute(chunk)                    # long work: outside any transaction
            with transaction.atomic():
                ctx.fence()                             # raises JobLost when another worker has this job now
                write(answers)                          # under unique keys, so that a second run changes nothing
            ctx.fault_point("sweep:chunk-written")
            ctx.progress(number, total, "Cold Harbour")
        return {"units": len(units)}                    # plain JSON, kept on the job row

Contract:
- A job runs at least once. After a kill it starts from the beginning on attempt 2, so the handler skips or overwrites
  what an earlier attempt wrote (unique keys), and never adds to it blindly.
- `fence()` is called inside the transaction that writes. It makes a write of a worker that lost its lease impossible.
- `progress()` and `check_cancelled()` make short writes and reads of their own: call them outside transactions,
  about once a second, not once a row.
- An exception fails the job. A `DomainError` is a person's to mend and is not tried again; its sentence is
  shown. Anything else is tried again until the row's `max_attempts`, and then shown as failed.
- `@job_handler("import", on_end=close_run)`: `on_end(job)` is called in the transaction that closes a job as failed or
  cancelled (also when it was given up after kills), so that rows which wait for the job can say so.
- The lease is renewed by a thread of the worker while the handler runs: a long calculation needs no heartbeat.
"""

from collections.abc import Callable, Mapping
from typing import Any, Protocol, TypeVar


class JobCancelled(Exception):
    """A person asked for the job to stop."""


class JobLost(Exception):
    """The lease ran out and the job belongs to another worker: stop without writing anything more."""


class JobContext(Protocol):
    """What a handler is given."""

    @property
    def job_id(self) -> str: ...

    @property
    def params(self) -> Mapping[str, Any]: ...

    @property
    def attempt(self) -> int:
        """1 on the first run, 2 after one kill or error, and so on."""
        ...

    @property
    def job(self) -> Any:
        """The job's row as it was when claimed (a `fleet.models.Job`)."""
        ...

    def progress(self, done: int, total: int, note: str = "") -> None:
        """Writes how far the work is, in a short write of its own."""
        ...

    def check_cancelled(self) -> None:
        """Raises JobCancelled or JobLost when the work should stop."""
        ...

    def fence(self) -> None:
        """Inside a writing transaction: raises JobLost unless this worker still has the job."""
        ...

    def fault_point(self, name: str) -> None:
        """A named place where tests kill the process (`fleet.lib.faults`)."""
        ...


Handler = Callable[[JobContext], Mapping[str, Any] | None]
OnEnd = Callable[[Any], None]
AnyHandler = TypeVar("AnyHandler", bound=Handler)

_handlers: dict[str, Handler] = {}
_on_end: dict[str, OnEnd] = {}


def job_handler(kind: str, *, on_end: OnEnd | None = None) -> Callable[[AnyHandler], AnyHandler]:
    """Registers the decorated function for jobs of this kind. A kind has one handler."""

    def register(function: AnyHandler) -> AnyHandler:
        there = _handlers.get(kind)
        if there is not None and name_of(there) != name_of(function):
            raise ValueError(f"Job kind '{kind}' already has the handler {name_of(there)}.")
        _handlers[kind] = function
        if on_end is not None:
            _on_end[kind] = on_end
        return function

    return register


def name_of(function: Callable[..., Any]) -> str:
    return f"{function.__module__}.{function.__qualname__}"


def handler_for(kind: str) -> Handler:
    """The handler of a kind. Raises LookupError with a sentence that names the known kinds."""
    try:
        return _handlers[kind]
    except KeyError:
        known = ", ".join(known_kinds()) or "none"
        raise LookupError(
            f"No handler is registered for jobs of kind '{kind}'. Known kinds: {known}."
        ) from None


def on_end_for(kind: str) -> OnEnd | None:
    return _on_end.get(kind)


def known_kinds() -> list[str]:
    return sorted(_handlers)


def unregister(kind: str) -> None:
    """For tests that register a kind of their own."""
    _handlers.pop(kind, None)
    _on_end.pop(kind, None)
