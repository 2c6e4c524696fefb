"""Which units and packed forms one conveyance can take, worked out for all of them at once; words for the rows shown."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from fleet.domain.dangerous_goods.answers import decide_items
from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.fit.answers import Conveyances, conveyances_of
from fleet.domain.fit.forklift import ForkTruck
from fleet.domain.fit.helicopters import hook
from fleet.domain.fit.trip import Topic, Trip
from fleet.domain.transport.answers import Carried, FleetClass, mode_of_conveyance
from fleet.domain.transport.fork import FORK_TRUCK, asks_pockets
from fleet.models import TransportTerms
from fleet.selectors.editions import rules_in_force
from readiness.selectors.transport import load_fleet
from readiness.web.transport import CARRIED_OUTCOME, GridRow, conveyance_names, grid_row, law_of, not_asked
from readiness.web.transport_fork import FORK_NAME, FORKS, YARD_ONLY, fork_row

HOOK = "hook"  # one that is known only by its limit


@dataclass(frozen=True)
class FoundRow:
    tag: str
    form: str
    packed: str
    depot: str
    line: GridRow


@dataclass(frozen=True)
class Found:
    """What one conveyance can take: `order` are rows of the answer, the likeliest and roomiest first."""

    answer: FleetClass
    key: str
    ship_date: dt.date
    trip: Trip
    rules: Rules
    truck: ForkTruck | None = None

    @property
    def order(self) -> list[int]:
        carried = self.answer.carried[:, 0]
        spare = np.nan_to_num(self.answer.fit.verdicts.margin_kg[:, 0])
        tags = np.array(self.answer.tags, dtype=np.str_)[[n for n, _k in self.answer.form_of]]
        return [int(row) for row in np.lexsort((tags, -spare, carried))]

    def count(self, outcome: str) -> int:
        each = np.bincount(self.answer.carried[:, 0], minlength=len(Carried)).tolist()
        return sum(each[code] for code, word in CARRIED_OUTCOME.items() if word == outcome)

    def rows(self, chosen: Iterable[int]) -> list[FoundRow]:
        """The chosen rows in words; goods that are alike in many units are judged once."""
        if self.key == FORK_TRUCK:
            return [self._found(row, fork_row(self.answer.fit.answer(row, self.key))) for row in chosen]
        mode, _gates = mode_of_conveyance(self.key)
        places = [(row, *self.answer.form_of[row]) for row in chosen]
        records = {n: self.answer.units[n] for _row, n, _k in places}
        items = list(dict.fromkeys(entry.item for record in records.values() for entry in record.items))
        decisions = decide_items(items, mode, self.ship_date, rules=self.rules)
        decided = dict(zip(items, decisions, strict=True))
        laws = {
            n: law_of(record, mode, self.ship_date, self.rules, ways=False, decided=decided)
            for n, record in records.items()
        }
        return [
            self._found(row, grid_row(self.answer, records[n], row, 0, self.key, {mode: laws[n]}))
            for row, n, _k in places
        ]

    def _found(self, row: int, line: GridRow) -> FoundRow:
        n, k = self.answer.form_of[row]
        record = self.answer.units[n]
        form = record.forms[k]
        return FoundRow(record.tag, form.code, form.label, record.depot, line)

    @property
    def what(self) -> str:
        return str(FORK_NAME) if self.key == FORK_TRUCK else conveyance_names().get(self.key, self.key)

    @property
    def not_asked(self) -> str:
        """What the answers leave open because nothing was said of it."""
        if self.truck is None:
            return not_asked(self.trip)
        forks = [] if asks_pockets(self.truck) else [str(FORKS)]
        return ", ".join([*forks, str(YARD_ONLY)])


def find_units(
    units: Iterable[int],
    ship_date: dt.date,
    trip: Trip,
    *,
    terms: TransportTerms,
    now: dt.datetime,
    conveyance: str,
    hook_kg: float | None = None,
    truck: ForkTruck | None = None,
    mission_days: int | None = None,
) -> Found:
    """All units (by id) and packed forms in one pass; records and words are for the rows that are shown.

    `conveyance`: a key of the tables, `fork_truck` with its `truck`, or empty: a hook of `hook_kg`.
    """
    fleet = load_fleet(units, ship_date=ship_date, now=now, mission_days=mission_days, terms=terms)
    rules = rules_in_force()
    if conveyance == FORK_TRUCK and truck is not None:
        return Found(fleet.lifted_by(truck), FORK_TRUCK, ship_date, trip, rules, truck)
    key = conveyance or HOOK
    if key == HOOK and hook_kg is not None:
        trip = replace(trip, asked=trip.asked - {Topic.RADIUS})  # nothing is known of its fuel
        asked = Conveyances.only(helicopters=hook(hook_kg))
    else:
        asked = conveyances_of([key])
    return Found(fleet.answer(trip, ship_date, conveyances=asked, rules=rules), key, ship_date, trip, rules)
