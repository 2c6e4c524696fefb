"""What an edition would change, counted over the fleet in bulk."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.domain.dangerous_goods.answers import decide_item
from fleet.domain.dangerous_goods.loaded import LoadedTables, put_together
from fleet.domain.dangerous_goods.rules import held_rules
from fleet.domain.dangerous_goods.words import mode_of
from fleet.models import Job, RuleEdition, Unit
from fleet.services.editions import edition_count
from fleet.services.jobs import job_run
from inventory.models import GoodsLine
from readiness.selectors.transport import load_transport
from readiness.services import edition_changes
from readiness.services.edition_changes import count_changes, count_request, release_request
from tests.at_noon import noon  # noqa: F401  (the moment at which everything here happens)
from tests.cast import Cast
from tests.editions import AIR_2027, US_2027, air_edition, table
from tests.factories.fleet import NOW, TODAY, BankFactory, UnitFactory, ago
from tests.fleet.domain.test_loaded_rules import ENTRY, goods

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
FIRST = date(2027, 1, 1)
AFTER = put_together(held_rules(), [LoadedTables("x", table(AIR_2027, US_2027))])


def drum(unit: Unit, qty: float) -> None:
    GoodsLine.objects.create(
        unit=unit,
        label="drum",
        kind="goods",
        attributes={"un": "2880", "pg": "II", "qty": qty},
        happened_at=ago(1),
    )


def fleet(count: int) -> None:
    for number in range(count):
        unit = UnitFactory(tag=f"C-{number:02}")
        drum(unit, 2.0 + number)
        BankFactory(unit=unit, chemistry="lfp", serial=f"LFP/{number}")


def test_every_line_that_is_decided_otherwise_is_on_the_list_and_no_other() -> None:
    fleet(3)
    found = count_changes(held_rules(), AFTER, NOW)
    records = load_transport(Unit.objects.select_related("design", "home"), ship_date=TODAY, now=NOW)
    expected = set()
    for mode, days in found["days"].items():
        for day in map(date.fromisoformat, days):
            for record in records:
                for entry in record.items:
                    old = decide_item(entry.item, mode_of(mode), day, rules=held_rules())
                    new = decide_item(entry.item, mode_of(mode), day, rules=AFTER)
                    if (old.verdict, old.un, old.reason) != (new.verdict, new.un, new.reason):
                        expected.add((record.tag, entry.label, mode, day.isoformat(), new.reason))
    assert expected
    listed = {(row["tag"], row["label"], row["mode"], row["day"], row["reason"]) for row in found["lines"]}
    assert listed == expected
    assert found["lines_total"] == len(expected)
    assert found["units_changed"] == 3
    assert sum(row["lines"] for row in found["of_lines"]) == len(expected)
    assert json.loads(json.dumps(found)) == found


def test_an_edition_is_held_against_the_one_before_it() -> None:
    fleet(1)
    same = count_changes(held_rules(), AFTER, NOW)["than_last"]
    assert (same["lines_total"], same["lines"]) == (0, [])
    own = AIR_2027 | {"goods_table": "goods_test"}
    stricter = goods(ENTRY | {"pax_max": "1 kg"})
    after = put_together(held_rules(), [LoadedTables("x", table(own), stricter)])
    found = count_changes(held_rules(), after, NOW)
    (line,) = found["than_last"]["lines"]
    assert (line["label"], line["before"], line["after"]) == (
        "drum",
        "permitted_with_conditions",
        "cargo_aircraft_only",
    )
    assert found["than_last"]["units_changed"] == 1
    assert found["digest"] != count_changes(held_rules(), AFTER, NOW)["digest"]


def test_nothing_changes_for_the_same_rules_and_for_a_fleet_without_units() -> None:
    assert count_changes(held_rules(), AFTER, NOW)["units"] == 0
    fleet(1)
    same = count_changes(AFTER, AFTER, NOW)
    assert (same["lines_total"], same["units_changed"], same["days"]) == (0, 0, {})


def test_the_list_is_bounded_and_its_digest_is_of_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet(4)
    whole = count_changes(held_rules(), AFTER, NOW)
    monkeypatch.setattr(edition_changes, "LINES_KEPT", 2)
    short = count_changes(held_rules(), AFTER, NOW)
    assert len(short["lines"]) == 2
    assert short["lines_total"] == whole["lines_total"] > 2
    assert short["digest"] == whole["digest"]
    drum(Unit.objects.get(tag="C-03"), 99.0)
    assert count_changes(held_rules(), AFTER, NOW)["digest"] != short["digest"]


def test_the_queries_do_not_grow_with_the_fleet() -> None:
    def asked() -> int:
        with CaptureQueriesContext(connection) as seen:
            count_changes(held_rules(), AFTER, NOW)
        return len(seen)

    fleet(2)
    first = asked()
    for number in range(5):
        drum(UnitFactory(tag=f"D-{number}"), 3.0)
    assert asked() == first


def test_the_list_is_made_and_the_edition_released_in_the_background(cast: Cast) -> None:
    fleet(2)
    edition = air_edition(cast.ada)
    job = count_request(edition=edition, actor=cast.ada)
    assert count_request(edition=edition, actor=cast.dina).pk == job.pk
    assert finished(job).result["units_changed"] == 2
    edition.refresh_from_db()
    assert finished(release_request(edition=edition, seen="another list", actor=cast.dina)).state == "failed"
    done = finished(release_request(edition=edition, seen=edition.changes["digest"], actor=cast.dina))
    assert done.state == "done"
    assert RuleEdition.objects.get().released_by == cast.dina


def test_the_list_of_the_release_is_that_of_the_moment(cast: Cast) -> None:
    fleet(1)
    edition = edition_count(edition=air_edition(cast.ada))
    shown = edition.changes["lines_total"]
    drum(Unit.objects.get(), 7.5)
    job = finished(release_request(edition=edition, seen=edition.changes["digest"], actor=cast.dina))
    assert "Look again" in job.error
    edition.refresh_from_db()
    assert edition.state == "loaded"
    assert edition.changes["lines_total"] > shown > 0


def finished(job: Job) -> Any:
    return job_run(job_id=job.pk, keep_lease=False)
