"""An honest ledger: every balance is the sum of its movements, nothing goes out that did not come in."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from readiness.demo.people import People
from readiness.demo.rows import Rows

# A place by its code, a unit by its number, or None: from or to outside.
Spot = str | int | None


@dataclass
class LotPile:
    """A lot and where how much of it lies."""

    number: int
    item: str
    depot: str
    expires_on: dt.date | None
    received_day: int
    reserved: bool = False
    held: dict[str | int, int] = field(default_factory=dict)
    last_at: dt.datetime | None = None

    def lasts(self, day: dt.date) -> bool:
        return self.expires_on is None or self.expires_on >= day


class Ledger:
    def __init__(self, rows: Rows, people: People, place_id: dict[str, int], item_id: dict[str, int]) -> None:
        self.rows = rows
        self.people = people
        self.place_id = place_id
        self.item_id = item_id
        self.lots: list[LotPile] = []
        self.lying: dict[tuple[str, str, str | int], dict[int, LotPile]] = {}

    def open_lot(
        self,
        item: str,
        depot: str,
        code: str,
        made_on: dt.date,
        expires_on: dt.date | None,
        received_day: int,
        *,
        reserved: bool = False,
        **columns: Any,
    ) -> LotPile:
        number = self.rows.add(
            "inventory.Lot",
            item_id=self.item_id[item],
            code=code,
            made_on=made_on,
            expires_on=expires_on,
            no_expiry=expires_on is None,
            **columns,
        )
        pile = LotPile(number, item, depot, expires_on, received_day, reserved)
        self.lots.append(pile)
        return pile

    def move(
        self, kind: str, pile: LotPile, qty: int, at: dt.datetime, origin: Spot, to: Spot, **columns: Any
    ) -> int:
        """Books one movement; refuses what would leave less than nothing, or run backwards in time."""
        if qty <= 0 and kind != "count":
            raise ValueError(f"{kind} of {qty} {pile.item}")
        if pile.last_at is not None and at < pile.last_at:
            at = pile.last_at
        pile.last_at = at
        if origin is not None:
            left = pile.held.get(origin, 0) - qty
            if left < 0:
                raise ValueError(f"{kind}: {pile.item} lot {pile.number} would be {left} in {origin}")
            pile.held[origin] = left
            if left == 0:
                del self.lying[pile.item, pile.depot, origin][pile.number]
        if to is not None:
            pile.held[to] = pile.held.get(to, 0) + qty
            if qty:
                self.lying.setdefault((pile.item, pile.depot, to), {})[pile.number] = pile
        return self.rows.add(
            "inventory.Movement",
            kind=kind,
            lot_id=pile.number,
            qty=qty,
            happened_at=at,
            **self.ends(origin, to),
            **self.people.written(pile.depot, at, hours=0.2),
            **columns,
        )

    def ends(self, origin: Spot, to: Spot) -> dict[str, int]:
        ends = {}
        for name, spot in (("from", origin), ("to", to)):
            if isinstance(spot, str):
                ends[f"{name}_place_id"] = self.place_id[spot]
            elif spot is not None:
                ends[f"{name}_unit_id"] = spot
        return ends

    def usable(self, item: str, depot: str, spot: str | int, day: int, until: dt.date) -> list[LotPile]:
        """Lots with something left there that came in by that day and last until then, first to expire first."""
        piles = [
            pile
            for pile in self.lying.get((item, depot, spot), {}).values()
            if pile.received_day <= day and pile.lasts(until) and not pile.reserved
        ]
        return sorted(piles, key=lambda pile: (pile.expires_on or dt.date.max, pile.number))

    def held_by(self, item: str, depot: str, spot: str | int) -> list[LotPile]:
        piles = self.lying.get((item, depot, spot), {}).values()
        return sorted(piles, key=lambda pile: (pile.expires_on or dt.date.max, pile.number))

    def close(self) -> None:
        """Writes the balances."""
        for pile in self.lots:
            for spot, qty in pile.held.items():
                where = {"place_id": self.place_id[spot]} if isinstance(spot, str) else {"unit_id": spot}
                self.rows.add("inventory.Balance", lot_id=pile.number, qty=qty, **where)
