"""What must be computed again after a change, without the base app knowing who computes.

Upper apps register a listener in their `AppConfig.ready()`; services call `units_changed` after they wrote, and the
listeners run once the transaction is committed. Listeners must be idempotent and must not raise for one bad unit.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from django.db import transaction

Listener = Callable[[Collection[int]], None]
_listeners: list[Listener] = []


def on_units_changed(listener: Listener) -> Listener:
    """Register a listener; usable as a decorator. Registering the same function twice has no effect."""
    if listener not in _listeners:
        _listeners.append(listener)
    return listener


def units_changed(unit_ids: Collection[int]) -> None:
    """Tell every listener, after commit, that facts about these units changed."""
    ids = frozenset(unit_ids)
    if not ids:
        return

    def tell() -> None:
        for listener in _listeners:
            listener(ids)

    transaction.on_commit(tell)
