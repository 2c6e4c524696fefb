"""What must be computed again after a change, without the base app knowing who computes.

Upper apps register in their `AppConfig.ready()`; services call `units_changed` after they wrote, in the same transaction.
What marks the units runs at once, so that the mark stands or falls with the change; listeners run when it is committed.
Both must be idempotent; a listener must not raise for one bad unit.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from django.db import transaction

from fleet.lib.faults import fault_point

Listener = Callable[[Collection[int]], None]
_listeners: list[Listener] = []
_markers: list[Listener] = []


def mark_units_changed(marker: Listener) -> Listener:
    """Register what marks changed units inside the transaction of the change. Twice the same has no effect."""
    if marker not in _markers:
        _markers.append(marker)
    return marker


def on_units_changed(listener: Listener) -> Listener:
    """Register a listener; usable as a decorator. Registering the same function twice has no effect."""
    if listener not in _listeners:
        _listeners.append(listener)
    return listener


def units_changed(unit_ids: Collection[int]) -> None:
    """Mark these units, and tell every listener after commit that facts about them changed."""
    ids = frozenset(unit_ids)
    if not ids:
        return

    def tell() -> None:
        fault_point("units:committed")
        for listener in _listeners:
            listener(ids)

    with transaction.atomic():
        for marker in _markers:
            marker(ids)
        transaction.on_commit(tell)
