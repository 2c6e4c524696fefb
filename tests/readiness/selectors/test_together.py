"""Ready at the same time: what kits, positions and faults of the ready units take from one and the same shelf."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from readiness.selectors import pages_together
from readiness.selectors.pages_together import DepotTogether, together_by_depot
from readiness.web.together import together_words
from tests.factories.fleet import NOW, TODAY, DepotFactory, DesignFactory
from tests.factories.inventory import (
    DesignItemFactory,
    ItemFactory,
    LampFactory,
    LotFactory,
    aboard,
    fitted,
    in_store,
)
from tests.factories.readiness import FaultFactory
from tests.readiness.services.test_sweep import ready_unit, sweep, verdict

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture(autouse=True)
def at_the_stated_moment() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def together(depot: Any) -> DepotTogether:
    (found,) = together_by_depot(now=NOW, today=TODAY, depots=[depot], depot=depot)
    return found


def answer(depot: Any) -> tuple[int, int, list[tuple[str, float, float]]]:
    found = together(depot)
    contests = [(found.names[one.key], one.needed, one.available) for one in found.answer.contests]
    return found.answer.alone, found.answer.at_once, contests


class LampYard:
    """Two units with an empty position each, both ready because the depot has a spare."""

    def __init__(self, *, spares: int = 1) -> None:
        self.depot, self.design = DepotFactory(), DesignFactory()
        self.lamp, other = LampFactory(fit_h=0.5, name="UV lamp"), LampFactory(fit_h=0.5)
        DesignItemFactory(design=self.design, item=self.lamp, position="lamp 1")
        DesignItemFactory(design=self.design, item=other, position="lamp 2")
        self.units = [ready_unit(home=self.depot, design=self.design) for _ in range(2)]
        for unit in self.units:
            fitted(unit, item=other, position="lamp 2")
        in_store(spares, place=self.depot, lot=LotFactory(item=self.lamp))
        sweep(*self.units)


def test_two_units_do_not_fit_the_one_spare_lamp() -> None:
    yard = LampYard()
    assert [verdict(unit).outcome for unit in yard.units] == ["ready", "ready"]
    assert answer(yard.depot) == (2, 1, [("UV lamp", 2, 1)])


def test_two_spares_are_enough_and_so_is_one_aboard() -> None:
    assert answer(LampYard(spares=2).depot) == (2, 2, [])
    yard = LampYard()
    aboard(yard.units[0], 1, lot=LotFactory(item=yard.lamp))
    sweep(*yard.units)
    assert answer(yard.depot) == (2, 2, [])


def test_two_worn_lamps_want_the_same_spare() -> None:
    depot, design, lamp = DepotFactory(), DesignFactory(), LampFactory(fit_h=0.5, name="UV lamp")
    units = [ready_unit(home=depot, design=design) for _ in range(2)]
    for unit in units:
        part = fitted(unit, item=lamp)
        part.first_fitted_at = NOW - dt.timedelta(days=400)
        part.save()
    in_store(1, place=depot, lot=LotFactory(item=lamp))
    sweep(*units)
    failing = {check["key"] for check in verdict(units[0]).result["checks"] if check["outcome"] == "fail"}
    assert failing == {"part_life"}
    assert answer(depot) == (2, 1, [("UV lamp", 2, 1)])


def test_two_faults_want_the_same_part_and_a_fault_may_want_several() -> None:
    depot, seal = DepotFactory(), ItemFactory(name="Pump seal")
    units = [ready_unit(home=depot) for _ in range(2)]
    for unit, qty in zip(units, (None, 2), strict=True):
        FaultFactory(unit=unit, severity="blocks", mend_h=1.0, part_item=seal, part_qty=qty)
    in_store(2, place=depot, item=seal)
    sweep(*units)
    assert answer(depot) == (2, 1, [("Pump seal", 3, 2)])


def test_a_kit_and_a_fault_want_the_same_item() -> None:
    depot, design, seal = DepotFactory(), DesignFactory(), ItemFactory(name="Pump seal")
    DesignItemFactory(design=design, item=seal, qty=2)
    unit = ready_unit(home=depot, design=design)
    aboard(unit, 1, item=seal)
    FaultFactory(unit=unit, severity="blocks", mend_h=1.0, part_item=seal)
    in_store(1, place=depot, item=seal)
    sweep(unit)
    # The kit lacks one; the one aboard is the kit's, so the fault takes one, too: two from a shelf of one.
    assert answer(depot) == (1, 0, [("Pump seal", 2, 1)])


def test_what_expires_on_the_mission_or_is_set_apart_is_not_there() -> None:
    yard = LampYard(spares=2)
    lot = in_store(5, place=yard.depot, lot=LotFactory(item=yard.lamp, status="quarantine"))
    assert lot.status == "quarantine"
    in_store(5, place=yard.depot, lot=LotFactory(item=yard.lamp, expires_on=TODAY + dt.timedelta(days=3)))
    yard.units.append(ready_unit(home=yard.depot, design=yard.design))
    fitted(yard.units[2], item=yard.design.bill.get(position="lamp 2").item, position="lamp 2")
    sweep(*yard.units)
    assert answer(yard.depot) == (3, 2, [("UV lamp", 3, 2)])


def test_units_beyond_what_is_read_count_as_ready_alone_only(monkeypatch: pytest.MonkeyPatch) -> None:
    yard = LampYard(spares=2)
    monkeypatch.setattr(pages_together, "MOST_READ", 1)
    found = together(yard.depot).answer
    assert (found.alone, found.at_once, found.proven) == (2, 1, False)
    said = together_words(together(yard.depot))
    assert said.endswith("2 of 2 ready alone, at least 1 of them at the same time.")


def test_the_number_of_queries_does_not_grow_with_the_units() -> None:
    yard = LampYard()
    with CaptureQueriesContext(connection) as few:
        together(yard.depot)
    for _ in range(5):
        unit = ready_unit(home=yard.depot, design=yard.design)
        fitted(unit, item=yard.design.bill.get(position="lamp 2").item, position="lamp 2")
        sweep(unit)
    with CaptureQueriesContext(connection) as many:
        together(yard.depot)
    assert len(many) == len(few) <= 9
