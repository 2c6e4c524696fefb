"""An open matter follows the facts: it clears when its own things are settled, and a snooze ends when it got graver."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

import pytest
import time_machine

from readiness.models import Alert
from readiness.selectors.pages_alerts import alerts_of_today, snoozed_count
from readiness.services.digest import digest_text
from readiness.services.sweep_alerts import is_worse
from readiness.services.sweep_stores import sweep_stores
from tests.factories.fleet import (
    NOW,
    TODAY,
    CertificateFactory,
    CertificateRuleFactory,
    DepotFactory,
    DesignFactory,
)
from tests.factories.inventory import DesignItemFactory, ItemFactory, LotFactory, aboard, in_store
from tests.factories.readiness import AlertFactory, InspectionFactory, InspectionTypeFactory
from tests.readiness.services.test_sweep import open_rules, ready_unit, sweep

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
DAY = dt.timedelta(days=1)
MINUTE = dt.timedelta(minutes=1)


@pytest.fixture(autouse=True)
def at_the_stated_moment() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def alert_of(unit: Any, rule: str) -> Alert:
    return Alert.objects.get(about_unit=unit, rule=rule, cleared_at=None)


def things(alert: Alert) -> list[tuple[str, str]]:
    return [(item["key"], item["label"]) for item in alert.data["items"]]


def unit_with_certificates(*kinds: str) -> Any:
    design = DesignFactory()
    for kind in kinds:
        CertificateRuleFactory(design=design, kind=kind, renew_h=1.0)
    return ready_unit(design=design)


def test_a_renewed_certificate_clears_its_matter_though_another_was_never_recorded() -> None:
    unit = unit_with_certificates("lifting_exam", "electrical")
    CertificateFactory(unit=unit, expires_on=TODAY - DAY)
    sweep(unit)
    assert open_rules(unit) >= {"certificate", "survey"}
    CertificateFactory(unit=unit)
    sweep(unit, now=NOW + MINUTE)
    assert "certificate" not in open_rules(unit)
    assert "survey" in open_rules(unit)


def test_a_matter_is_rewritten_to_what_nothing_is_known_about_any_more() -> None:
    unit = unit_with_certificates("lifting_exam", "electrical")
    CertificateFactory(unit=unit, expires_on=TODAY - DAY)
    lost = CertificateFactory(unit=unit, kind="electrical", expires_on=TODAY - 2 * DAY)
    sweep(unit)
    assert len(things(alert_of(unit, "certificate"))) == 2
    CertificateFactory(unit=unit)
    lost.struck_at, lost.struck_reason = NOW, "another unit's"
    lost.save()
    sweep(unit, now=NOW + MINUTE)
    left = alert_of(unit, "certificate")
    assert things(left) == [("certificate", "electrical")]
    assert (left.too_late_on, left.work_h) == (TODAY - DAY, None)
    sweep(unit, now=NOW + 2 * MINUTE)
    assert alert_of(unit, "certificate").updated_at == left.updated_at
    CertificateFactory(unit=unit, kind="electrical")
    sweep(unit, now=NOW + 3 * MINUTE)
    assert "certificate" not in open_rules(unit)


def test_an_inspection_done_clears_its_matter_though_another_was_never_done() -> None:
    first, _second = InspectionTypeFactory(), InspectionTypeFactory()
    unit = ready_unit()
    InspectionFactory(unit=unit, type=first, passed=False)
    sweep(unit)
    assert open_rules(unit) >= {"inspection", "survey"}
    InspectionFactory(unit=unit, type=first, happened_at=NOW)
    sweep(unit, now=NOW + MINUTE)
    assert "inspection" not in open_rules(unit)


def item(key: str = "kit", number: int = 1, **data: float) -> dict[str, Any]:
    return {"key": key, "id": number, **data}


@pytest.mark.parametrize(
    ("before", "after", "worse"),
    [
        ({}, {}, False),
        ({}, {"cost": 61.0}, True),
        ({}, {"cost": 59.0}, False),
        ({"late": TODAY}, {"late": TODAY - DAY}, True),
        ({"late": TODAY}, {"late": TODAY + DAY}, False),
        ({}, {"late": TODAY + 90 * DAY}, True),
        ({"late": TODAY}, {}, False),
        ({"items": [item(needed=5, aboard=3)]}, {"items": [item(needed=5, aboard=2)]}, True),
        ({"items": [item(needed=5, aboard=3)]}, {"items": [item(needed=5, aboard=4)]}, False),
        (
            {"items": [item("lots_aboard", 0, bad_lots=1)]},
            {"items": [item("lots_aboard", 0, bad_lots=2)]},
            True,
        ),
        # One certificate for another: as many things, not the same ones.
        ({"items": [item("certificate", 1)]}, {"items": [item("certificate", 2)]}, True),
        (
            {"items": [item("certificate", 1), item("certificate", 2)]},
            {"items": [item("certificate", 2)]},
            False,
        ),
    ],
)
def test_what_makes_a_matter_graver(before: dict[str, Any], after: dict[str, Any], worse: bool) -> None:
    alert = Alert(cost_of_delay=60.0, too_late_on=before.get("late"), data={"items": before.get("items", [])})
    fresh = {
        "cost_of_delay": after.get("cost", 60.0),
        "too_late_on": after.get("late"),
        "data": {"items": after.get("items", [])},
    }
    assert is_worse(alert, fresh) is worse


def test_an_earlier_too_late_day_ends_a_snooze() -> None:
    unit = unit_with_certificates("lifting_exam")
    long = CertificateFactory(unit=unit, expires_on=TODAY + 12 * DAY)
    sweep(unit)
    Alert.objects.filter(about_unit=unit).update(snoozed_until=TODAY + 10 * DAY)
    long.struck_at, long.struck_reason = NOW, "misread"
    long.save()
    CertificateFactory(unit=unit, expires_on=TODAY + 5 * DAY)
    sweep(unit, now=NOW + MINUTE)
    alert = alert_of(unit, "certificate")
    assert (alert.too_late_on, alert.snoozed_until) == (TODAY + 6 * DAY, None)
    assert alert.worsened_at == NOW + MINUTE


def test_a_greater_shortage_ends_a_snooze() -> None:
    depot, design, short = DepotFactory(), DesignFactory(), ItemFactory()
    DesignItemFactory(design=design, item=short, qty=3)
    unit = ready_unit(home=depot, design=design)
    lot = aboard(unit, 2, item=short)
    sweep(unit)
    Alert.objects.filter(about_unit=unit).update(snoozed_until=TODAY + 10 * DAY)
    lot.balances.filter(unit=unit).update(qty=1)
    sweep(unit, now=NOW + MINUTE)
    assert alert_of(unit, "kit_short").snoozed_until is None


def test_an_earlier_expiry_of_a_lot_in_stores_ends_a_snooze() -> None:
    depot = DepotFactory()
    lot = in_store(5, place=depot, lot=LotFactory(expires_on=TODAY + 20 * DAY))
    sweep_stores(depot=depot, as_of=TODAY)
    Alert.objects.update(snoozed_until=TODAY + 15 * DAY)
    lot.expires_on = TODAY + 10 * DAY
    lot.save()
    sweep_stores(depot=depot, as_of=TODAY)
    assert Alert.objects.get().snoozed_until is None


@pytest.mark.parametrize(
    ("late", "there"), [(None, False), (TODAY + DAY, False), (TODAY, True), (TODAY - DAY, True)]
)
def test_a_snooze_counts_for_nothing_from_the_too_late_day_on(late: dt.date | None, there: bool) -> None:
    alert = AlertFactory(snoozed_until=TODAY + 9 * DAY, too_late_on=late)
    assert alerts_of_today(today=TODAY, depot=alert.depot).exists() is there
    assert snoozed_count(today=TODAY, depot=alert.depot) == (0 if there else 1)
    assert digest_text(alert.depot, TODAY)[2] == int(there)
