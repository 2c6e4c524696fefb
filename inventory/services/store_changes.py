"""What changed in the stores of places, told to whoever judges by it, without this app knowing who that is.

Upper apps register in their `AppConfig.ready()`; services call `stores_changed` after they wrote, in the same transaction.
What marks those who rest on the stores runs at once, so that the mark stands or falls with the change; listeners run when
it is committed, once for all changes of it. Both must be idempotent and must not raise.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import Q

from fleet.models import Place
from inventory.models import Balance, Lot, Movement


@dataclass(frozen=True, slots=True)
class StoreChange:
    """A lot of which a place holds another quantity than before, or whose use or expiry changed; keys of the rows."""

    place: int
    item: int
    lot: int


Listener = Callable[[Collection[StoreChange], Collection[int]], None]
Marker = Callable[[Collection[StoreChange]], None]
_listeners: list[Listener] = []
_markers: list[Marker] = []


def mark_stores_changed(marker: Marker) -> Marker:
    """Register what marks those who rest on the stores, inside the transaction. Twice the same has no effect."""
    if marker not in _markers:
        _markers.append(marker)
    return marker


def on_stores_changed(listener: Listener) -> Listener:
    """Register a listener; usable as a decorator. Registering the same function twice has no effect."""
    if listener not in _listeners:
        _listeners.append(listener)
    return listener


class _Tell:
    """What is told when the transaction is committed."""

    def __init__(self, changes: Iterable[StoreChange], told: Iterable[int]) -> None:
        self.changes, self.told = set(changes), set(told)

    def __call__(self) -> None:
        for listener in _listeners:
            listener(frozenset(self.changes), frozenset(self.told))


def stores_changed(changes: Iterable[StoreChange], *, told: Iterable[int] = ()) -> None:
    """Have marked who rests on it, and tell every listener after commit.

    `told`: units that are told of the same change by `units_changed`.

    What is told already at the end of the same or an enclosing block is joined, so that an import tells once.
    """
    changes = set(changes)
    if not changes:
        return
    with transaction.atomic():
        for marker in _markers:
            marker(changes)
    _tell_after_commit(changes, told)


def _tell_after_commit(changes: set[StoreChange], told: Iterable[int]) -> None:
    connection = transaction.get_connection()
    inside = set(connection.savepoint_ids)
    for block, callback, *_robust in connection.run_on_commit:
        if isinstance(callback, _Tell) and block <= inside:
            callback.changes |= changes
            if block == inside:
                callback.told |= set(told)
            return
    transaction.on_commit(_Tell(changes, told))


def lot_in_stores(lot: Lot) -> set[StoreChange]:
    """Every place that holds some of a lot. One query."""
    places = Balance.objects.filter(lot=lot, place__isnull=False, qty__gt=0).values_list(
        "place_id", flat=True
    )
    return {StoreChange(place, lot.item_id, lot.pk) for place in places if place is not None}


def changed_since(place: Place, since: datetime) -> set[StoreChange]:
    """What became known about the stores of a place since an instant: movements written down, lots changed. Two queries."""
    moved = Movement.objects.filter(Q(from_place=place) | Q(to_place=place), recorded_at__gte=since)
    pairs = set(moved.order_by().values_list("lot__item_id", "lot_id"))
    lots = Lot.objects.filter(updated_at__gte=since, balances__place=place, balances__qty__gt=0)
    pairs |= set(lots.values_list("item_id", "pk"))
    return {StoreChange(place.pk, item, lot) for item, lot in pairs}
