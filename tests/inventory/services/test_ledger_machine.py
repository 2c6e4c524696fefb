"""The ledger against a model that works everything out from the beginning: whatever is done, in whatever order of days.

The model keeps the events that stand and walks through them in the order of their days; a count sets the balance.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection, transaction
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    rule,
    run_state_machine_as_test,
)

from inventory.domain.errors import StockError, TooLittle
from inventory.models import Balance, FittedPart, Movement
from inventory.selectors.ledger_check import balances_from_movements, ledger_differences
from inventory.services.ledger import (
    movement_reverse,
    part_fit,
    part_remove,
    stock_count,
    stock_issue,
    stock_receive,
    stock_return,
    stock_scrap,
    stock_transfer,
    stock_use,
)
from tests.factories.fleet import NOW, DepotFactory, UnitFactory, ago
from tests.factories.inventory import ChlorineFactory, LampFactory, LotFactory, with_position

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

WHO: dict[str, Any] = {"actor": None, "now": NOW}
Key = tuple[int, str, int]


@dataclass
class Event:
    at: dt.datetime
    lot: int
    origin: tuple[str, int] | None
    target: tuple[str, int] | None
    qty: Decimal
    counted: Decimal | None = None


def walk_through(events: list[Event]) -> tuple[dict[Key, Decimal], bool]:
    """Balances at the end, and whether any was below zero on the way."""
    balance: dict[Key, Decimal] = defaultdict(Decimal)
    below = False
    for event in sorted(events, key=lambda each: each.at):
        if event.counted is not None:
            assert event.target is not None
            balance[event.lot, *event.target] = event.counted
            continue
        if event.origin is not None:
            balance[event.lot, *event.origin] -= event.qty
            below = below or balance[event.lot, *event.origin] < 0
        if event.target is not None:
            balance[event.lot, *event.target] += event.qty
    return {key: qty for key, qty in balance.items() if qty}, below


days = st.integers(0, 60)  # ago; what the stores begin with came before
amounts = st.integers(1, 6)
which = st.integers(0, 1)


class Ledger(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.block = transaction.atomic()
        self.block.__enter__()
        self.places = [DepotFactory(terms=False, climate=False) for _ in range(2)]
        self.unit = UnitFactory(home=self.places[0], stay=False)
        lamp = LampFactory(dated=False)
        with_position(self.unit, lamp, "lamp 1")
        with_position(self.unit, lamp, "lamp 2")
        self.lots = [LotFactory(item=lamp), LotFactory(item=ChlorineFactory(dated=False))]
        self.events: dict[int, Event] = {}
        self.done = 0

        for lot in range(2):
            self.receive_at(lot, 12, 70)
            self.issue_at(lot, 6, 65)

    def receive_at(self, lot: int, qty: int, day: int) -> None:
        place = self.places[0]
        event = Event(self.moment(day), self.lots[lot].pk, None, self.spot(place), Decimal(qty))
        self.attempt(event, stock_receive, qty=qty, place=place)

    def issue_at(self, lot: int, qty: int, day: int) -> None:
        place, unit = self.places[0], self.unit
        event = Event(self.moment(day), self.lots[lot].pk, self.spot(place), self.spot(unit), Decimal(qty))
        self.attempt(event, stock_issue, qty=qty, place=place, unit=unit)

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.block.__exit__(None, None, None)

    def moment(self, day: int) -> dt.datetime:
        """So many days ago, and no two at the same instant."""
        self.done += 1
        return ago(day) - dt.timedelta(hours=6) + dt.timedelta(seconds=self.done)

    def attempt(self, event: Event, call: Any, **kwargs: Any) -> None:
        """Does it twice with one token, and holds what became of it against the model."""
        _ends, below = walk_through([*self.events.values(), event])
        lot = next(lot for lot in self.lots if lot.pk == event.lot)
        token = uuid4()
        try:
            movement = call(lot=lot, happened_at=event.at, token=token, **kwargs, **WHO)
        except TooLittle:
            assert below, f"refused although the model never goes below zero: {event}"
            return
        assert not below, f"taken although the model goes below zero: {event}"
        again = call(lot=lot, happened_at=event.at, token=token, **kwargs, **WHO)
        assert again.pk == movement.pk
        self.events[movement.pk] = event

    def expect(self, error: StockError, *keys: str) -> None:
        assert error.key in keys, error.sentence

    def spot(self, where: Any) -> tuple[str, int]:
        return ("unit" if where is self.unit else "place", where.pk)

    @rule(lot=which, place=which, qty=amounts, day=days)
    def receive(self, lot: int, place: int, qty: int, day: int) -> None:
        event = Event(
            self.moment(day), self.lots[lot].pk, None, self.spot(self.places[place]), Decimal(qty * 3)
        )
        self.attempt(event, stock_receive, qty=qty * 3, place=self.places[place])

    @rule(lot=which, place=which, qty=amounts, day=days)
    def issue(self, lot: int, place: int, qty: int, day: int) -> None:
        origin, target = self.spot(self.places[place]), self.spot(self.unit)
        event = Event(self.moment(day), self.lots[lot].pk, origin, target, Decimal(qty))
        self.attempt(event, stock_issue, qty=qty, place=self.places[place], unit=self.unit)

    @rule(lot=which, place=which, qty=amounts, day=days)
    def give_back(self, lot: int, place: int, qty: int, day: int) -> None:
        origin, target = self.spot(self.unit), self.spot(self.places[place])
        event = Event(self.moment(day), self.lots[lot].pk, origin, target, Decimal(qty))
        self.attempt(event, stock_return, qty=qty, place=self.places[place], unit=self.unit)

    @rule(lot=which, place=which, qty=amounts, day=days)
    def move(self, lot: int, place: int, qty: int, day: int) -> None:
        here, there = self.places[place], self.places[1 - place]
        event = Event(self.moment(day), self.lots[lot].pk, self.spot(here), self.spot(there), Decimal(qty))
        self.attempt(event, stock_transfer, qty=qty, from_place=here, to_place=there)

    @rule(lot=which, qty=amounts, day=days, scrap=st.booleans(), aboard=st.booleans())
    def consume(self, lot: int, qty: int, day: int, scrap: bool, aboard: bool) -> None:
        where = self.unit if aboard else self.places[0]
        amount = Decimal(qty) if lot == 0 else Decimal(qty) / 8
        event = Event(self.moment(day), self.lots[lot].pk, self.spot(where), None, amount)
        side = {"unit" if aboard else "place": where}
        if scrap:
            self.attempt(event, stock_scrap, qty=amount, reason="wet", **side)
        else:
            self.attempt(event, stock_use, qty=amount, **side)

    @rule(lot=which, counted=st.integers(0, 9), day=days, aboard=st.booleans())
    def count(self, lot: int, counted: int, day: int, aboard: bool) -> None:
        where = self.unit if aboard else self.places[0]
        event = Event(
            self.moment(day), self.lots[lot].pk, None, self.spot(where), Decimal(0), Decimal(counted)
        )
        side = {"unit" if aboard else "place": where}
        self.attempt(event, stock_count, counted_qty=counted, **side)

    @rule(position=st.sampled_from(["lamp 1", "lamp 2"]), day=days, blindly=st.booleans())
    def fit_or_remove(self, position: str, day: int, blindly: bool) -> None:
        """Together in one rule, so that no run has the one without the other."""
        held = FittedPart.objects.filter(position=position, removed_at=None).exists()
        if held and not blindly:
            self.remove(position, day)
        else:
            self.fit(position, day)

    def fit(self, position: str, day: int) -> None:
        at = self.moment(day)
        event = Event(at, self.lots[0].pk, self.spot(self.unit), None, Decimal(1))
        _ends, below = walk_through([*self.events.values(), event])
        try:
            with transaction.atomic():
                part = part_fit(
                    lot=self.lots[0],
                    unit=self.unit,
                    position=position,
                    happened_at=at,
                    new_piece=True,
                    **WHO,
                )
        except TooLittle:
            assert below
        except StockError as error:
            self.expect(error, "position.taken", "position.taken_then")
        else:
            assert not below
            self.events[part.movements.get(kind="fit").pk] = event

    def remove(self, position: str, day: int) -> None:
        part = FittedPart.objects.get(position=position, removed_at=None)
        at = self.moment(day)
        if day % 8 and at < part.fitted_at:  # mostly a day on which it can be
            at = part.fitted_at + dt.timedelta(microseconds=self.done)
        event = Event(at, self.lots[0].pk, None, self.spot(self.unit), Decimal(1))
        try:
            with transaction.atomic():
                part_remove(part=part, happened_at=at, **WHO)
        except StockError as error:
            self.expect(error, "part.removed_before_fitted")
        else:
            self.events[part.movements.filter(kind="remove").latest("pk").pk] = event

    @rule(pick=st.integers(0, 1000), of_parts=st.booleans())
    def reverse(self, pick: int, of_parts: bool) -> None:
        kinds = (
            ["fit", "remove"] if of_parts else [kind for kind in Movement.Kind.values if kind != "reversal"]
        )
        self.reverse_one(Movement.objects.filter(kind__in=kinds), pick)

    def reverse_one(self, which: Any, pick: int) -> None:
        # A count worked out anew stands for the event of the count it replaced.
        standing = which.filter(reversed_by__isnull=True).order_by("pk")
        if not standing:
            return
        movement = standing[pick % standing.count()]
        key = next(
            pk
            for pk, event in self.events.items()
            if (event.at, event.lot) == (movement.happened_at, movement.lot_id)
        )
        rest = [event for pk, event in self.events.items() if pk != key]
        _ends, below = walk_through(rest)
        token = uuid4()
        try:
            with transaction.atomic():
                back = movement_reverse(movement=movement, reason="mistake", token=token, **WHO)
        except TooLittle:
            assert below
            return
        except StockError as error:
            self.expect(error, "movement.part_removed", "position.filled_since")
            return
        assert not below
        assert movement_reverse(movement=movement, reason="mistake", token=token, **WHO).pk == back.pk
        with pytest.raises(StockError, match="reversed already"):
            movement_reverse(movement=movement, reason="again", token=uuid4(), **WHO)
        del self.events[key]

    @invariant()
    def balances_are_those_of_the_model(self) -> None:
        stands = {
            (row.lot_id, "place" if row.place_id else "unit", row.place_id or row.unit_id): row.qty
            for row in Balance.objects.all()
        }
        assert all(qty >= 0 for qty in stands.values())
        ends, below = walk_through(list(self.events.values()))
        assert not below
        assert {key: qty for key, qty in stands.items() if qty} == ends
        assert {
            (lot, "place" if place else "unit", place or unit): qty
            for (lot, place, unit), qty in balances_from_movements().items()
        } == ends

    @invariant()
    def everything_adds_up(self) -> None:
        assert ledger_differences() == []


def test_whatever_is_done_the_ledger_adds_up() -> None:
    examples = 25 if connection.vendor == "sqlite" else 8
    run_state_machine_as_test(
        Ledger,
        settings=settings(
            max_examples=examples,
            stateful_step_count=25,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
