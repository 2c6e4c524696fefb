"""Checks on records in the database: kit, lots, parts, papers, frost, water, faults; each in words and numbers."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

import pytest
import time_machine

from fleet.models import Absence, ClimateNormal, UnitStay
from inventory.models import FittedPart
from readiness.models import Alert, BankState
from readiness.sentences import check_sentence
from tests.factories.fleet import (
    NOW,
    TODAY,
    BankFactory,
    CertificateFactory,
    CertificateRuleFactory,
    DepotFactory,
    DesignFactory,
    ModificationFactory,
    SupplyStateFactory,
    UnitFactory,
    WeighingFactory,
    WetStateFactory,
    ago,
)
from tests.factories.inventory import (
    DesignItemFactory,
    ItemFactory,
    LampFactory,
    LotFactory,
    aboard,
    fitted,
    in_store,
    with_position,
)
from tests.factories.readiness import (
    BankTestFactory,
    ChargeFactory,
    FaultFactory,
    InspectionFactory,
    InspectionTypeFactory,
    OpenChargeFactory,
    ReadingFactory,
)
from tests.readiness.services.test_sweep import bank_of, check_of, open_rules, ready_unit, sweep, verdict

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
MISSION_END = TODAY + dt.timedelta(days=30)


@pytest.fixture(autouse=True)
def at_the_stated_moment() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def checks_of(unit: Any, key: str) -> list[dict[str, Any]]:
    return [check for check in verdict(unit).result["checks"] if check["key"] == key]


def unit_with_kit(qty: int, **lots: int) -> Any:
    """A unit whose design wants 20 of an item every 10 days (60 for the mission) with one lot aboard."""
    unit = ready_unit()
    line = DesignItemFactory(design=unit.design, item=ItemFactory(), qty=20, per_days=10)
    aboard(
        unit,
        qty,
        lot=LotFactory(item=line.item, expires_on=MISSION_END + dt.timedelta(days=lots.get("days", 0))),
    )
    return unit, line


@pytest.mark.parametrize(
    ("qty", "days", "outcome"), [(60, 0, "pass"), (59, 0, "fail"), (60, -1, "fail"), (600, -1, "fail")]
)
def test_the_kit_must_last_through_the_mission_in_lots_that_do(qty: int, days: int, outcome: str) -> None:
    unit, _ = unit_with_kit(qty, days=days)
    sweep(unit)
    check = check_of(unit, "kit")
    assert check["outcome"] == outcome
    assert check["data"]["needed"] == 60


def test_a_short_kit_is_filled_from_the_depot_or_not_at_all() -> None:
    unit, line = unit_with_kit(50)
    sweep(unit)
    assert verdict(unit).outcome == "blocked"
    assert "kit_short" in open_rules(unit)
    in_store(10, place=unit.home, lot=LotFactory(item=line.item, expires_on=MISSION_END))
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert verdict(unit).outcome == "ready"
    assert verdict(unit).time_to_ready_h == 0.25
    assert check_of(unit, "kit")["data"]["in_stores"] == 10


def test_stock_that_expires_during_the_mission_does_not_fill_a_kit() -> None:
    unit, line = unit_with_kit(50)
    in_store(
        10, place=unit.home, lot=LotFactory(item=line.item, expires_on=MISSION_END - dt.timedelta(days=1))
    )
    sweep(unit)
    assert verdict(unit).outcome == "blocked"


def test_the_kit_turns_on_the_day_the_lot_no_longer_lasts() -> None:
    unit, _ = unit_with_kit(60, days=10)
    sweep(unit)
    assert check_of(unit, "kit")["turns_on"] == (TODAY + dt.timedelta(days=11)).isoformat()


def test_an_expired_or_recalled_lot_aboard_is_to_be_taken_off() -> None:
    unit = ready_unit()
    aboard(unit, 4, lot=LotFactory(item=ItemFactory(), expires_on=TODAY, status="good"))
    sweep(unit)
    assert check_of(unit, "lots_aboard")["outcome"] == "pass", "good through its last day"
    lot = aboard(unit, 4, lot=LotFactory(item=ItemFactory()))
    lot.status = "recalled"
    lot.save()
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert check_of(unit, "lots_aboard")["outcome"] == "fail"
    assert verdict(unit).outcome == "ready", "what is not needed does not hold the unit back"


def test_a_position_without_its_part_needs_a_spare_and_its_hours() -> None:
    unit = ready_unit()
    lamp = LampFactory(fit_h=0.5)
    with_position(unit, lamp)
    fitted(unit, item=LampFactory(), position="lamp 9")
    sweep(unit)
    assert check_of(unit, "part_fitted")["mend_h"] == "not_here"
    assert verdict(unit).outcome == "blocked"
    in_store(1, place=unit.home, lot=LotFactory(item=lamp))
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert check_of(unit, "part_fitted")["mend_h"] == 0.5
    assert verdict(unit).outcome == "ready"


def test_hours_to_fit_that_are_not_on_file_leave_the_verdict_open() -> None:
    unit = ready_unit()
    lamp = LampFactory(fit_h=None)
    with_position(unit, lamp)
    in_store(1, place=unit.home, lot=LotFactory(item=lamp))
    aboard(unit, 1, lot=LotFactory(item=ItemFactory()))
    sweep(unit)
    assert verdict(unit).outcome == "cannot_decide"
    assert verdict(unit).time_to_ready_h is None


def test_a_fitted_part_runs_out_of_its_months() -> None:
    unit = ready_unit()
    lamp = LampFactory(fit_h=0.5, service_life_months=3)
    with_position(unit, lamp)
    fitted(unit, item=lamp, at=ago(85))
    sweep(unit)
    check = check_of(unit, "part_life")
    assert check["outcome"] == "fail", "three months end within the mission"
    assert "part_life" in open_rules(unit)


@pytest.mark.parametrize(
    ("ago_days", "interval", "outcome"),
    [(0, 30, "pass"), (30, 30, "pass"), (31, 30, "fail"), (60, 90, "pass"), (61, 90, "fail")],
)
def test_an_inspection_lasts_through_the_mission_unless_it_is_more_frequent(
    ago_days: int, interval: int, outcome: str
) -> None:
    unit = ready_unit()
    kind = InspectionTypeFactory(interval_days=interval, work_h=1.0)
    kind.designs.add(unit.design)
    InspectionFactory(unit=unit, type=kind, happened_at=ago(ago_days))
    sweep(unit)
    assert check_of(unit, "inspection")["outcome"] == outcome


def test_the_latest_inspection_counts_even_when_it_was_failed() -> None:
    unit = ready_unit()
    kind = InspectionTypeFactory(interval_days=365, work_h=1.5)
    kind.designs.add(unit.design)
    InspectionFactory(unit=unit, type=kind, happened_at=ago(9))
    InspectionFactory(unit=unit, type=kind, happened_at=ago(2), passed=False)
    sweep(unit)
    assert check_of(unit, "inspection")["outcome"] == "fail"
    assert verdict(unit).time_to_ready_h == 1.5


def test_a_change_voids_the_certificate_that_rests_on_what_it_touched() -> None:
    unit = ready_unit()
    CertificateRuleFactory(design=unit.design, renew_h=2.0)
    CertificateFactory(unit=unit)
    sweep(unit)
    assert check_of(unit, "certificate")["outcome"] == "pass"
    ModificationFactory(unit=unit, touches=["wiring"], happened_at=ago(5))
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert check_of(unit, "certificate")["outcome"] == "pass"
    ModificationFactory(unit=unit, touches=["lifting"], happened_at=ago(4))
    sweep(unit, now=NOW + dt.timedelta(minutes=2))
    assert check_of(unit, "certificate")["outcome"] == "fail"
    assert {check["subject"]["label"] for check in checks_of(unit, "evidence")} == {"wiring", "lifting"}
    CertificateFactory(unit=unit, issued_on=TODAY - dt.timedelta(days=1), happened_at=ago(1))
    sweep(unit, now=NOW + dt.timedelta(minutes=3))
    assert check_of(unit, "certificate")["outcome"] == "pass"
    shown = {check["subject"]["label"]: check["outcome"] for check in checks_of(unit, "evidence")}
    assert shown == {"lifting": "pass", "wiring": "fail"}


@pytest.mark.parametrize(("hours_later", "outcome"), [(-4, "fail"), (0, "fail"), (2, "pass")])
def test_a_certificate_of_the_day_of_a_change_counts_only_if_it_was_written_down_after_it(
    hours_later: int, outcome: str
) -> None:
    unit = ready_unit()
    CertificateRuleFactory(design=unit.design, renew_h=2.0)
    ModificationFactory(unit=unit, touches=["lifting"], happened_at=ago(4))
    written = ago(4) + dt.timedelta(hours=hours_later)
    CertificateFactory(
        unit=unit, issued_on=TODAY - dt.timedelta(days=4), happened_at=written, recorded_at=written
    )
    sweep(unit)
    assert check_of(unit, "certificate")["outcome"] == outcome
    assert check_of(unit, "evidence")["outcome"] == outcome


def test_a_corrected_certificate_is_not_newer_than_it_was() -> None:
    unit = ready_unit()
    CertificateRuleFactory(design=unit.design, renew_h=2.0)
    ModificationFactory(unit=unit, touches=["lifting"], happened_at=ago(4))
    before = ago(4) - dt.timedelta(hours=4)
    CertificateFactory(
        unit=unit, issued_on=TODAY - dt.timedelta(days=4), happened_at=before, recorded_at=ago(1)
    )
    sweep(unit)
    assert check_of(unit, "certificate")["outcome"] == "fail"


@pytest.mark.parametrize(("hours_later", "outcome"), [(-4, "fail"), (0, "fail"), (4, "pass")])
def test_a_weighing_on_the_day_of_a_change_counts_by_its_hour(hours_later: int, outcome: str) -> None:
    unit = ready_unit()
    ModificationFactory(unit=unit, touches=["mass"], happened_at=ago(4))
    WeighingFactory(unit=unit, happened_at=ago(4) + dt.timedelta(hours=hours_later))
    sweep(unit)
    assert check_of(unit, "evidence")["outcome"] == outcome


@pytest.mark.parametrize(("failed_later_h", "outcome"), [(3, "fail"), (-3, "pass")])
def test_of_two_inspections_on_one_day_the_later_counts(failed_later_h: int, outcome: str) -> None:
    unit = ready_unit()
    kind = InspectionTypeFactory()
    at = ago(4)
    InspectionFactory(unit=unit, type=kind, passed=False, happened_at=at + dt.timedelta(hours=failed_later_h))
    InspectionFactory(unit=unit, type=kind, passed=True, happened_at=at)
    sweep(unit)
    assert check_of(unit, "inspection")["outcome"] == outcome


def test_the_scale_shows_mass_again() -> None:
    unit = ready_unit()
    ModificationFactory(unit=unit, touches=["mass"], happened_at=ago(5))
    WeighingFactory(unit=unit, happened_at=ago(6))
    sweep(unit)
    assert check_of(unit, "evidence")["outcome"] == "fail"
    WeighingFactory(unit=unit, happened_at=ago(1))
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert check_of(unit, "evidence")["outcome"] == "pass"


@pytest.mark.parametrize(
    ("state", "low_c", "outcome"),
    [
        ("dry", -20.0, "pass"),
        ("preserved", -20.0, "pass"),
        ("wet", -0.1, "fail"),
        ("wet", 0.1, "pass"),
        ("disinfected", -5.0, "fail"),
        (None, -5.0, "fail"),
        (None, None, "cannot_decide"),
    ],
)
def test_frost_is_judged_by_record_lows_and_unknown_counts_as_wet(
    state: str | None, low_c: float | None, outcome: str
) -> None:
    unit = ready_unit()
    ClimateNormal.objects.filter(place=unit.home).update(record_low_c=low_c)
    unit.wet_states.all().update(struck_at=ago(1), struck_reason="not so")
    if state:
        WetStateFactory(unit=unit, kind=state, happened_at=ago(1), good_until=MISSION_END)
    sweep(unit)
    assert check_of(unit, "water_frost")["outcome"] == outcome
    assert ("frost" in open_rules(unit)) == (outcome == "fail")


@pytest.mark.parametrize(("days", "outcome"), [(0, "pass"), (1, "fail")])
def test_preserved_beyond_its_last_day_counts_as_wet(days: int, outcome: str) -> None:
    unit = ready_unit()
    ClimateNormal.objects.filter(place=unit.home).update(record_low_c=-10.0)
    WetStateFactory(
        unit=unit, kind="preserved", happened_at=ago(1), good_until=TODAY - dt.timedelta(days=days)
    )
    sweep(unit)
    assert check_of(unit, "water_frost")["outcome"] == outcome


def test_preserved_without_a_last_day_counts_as_wet() -> None:
    unit = ready_unit()
    ClimateNormal.objects.filter(place=unit.home).update(record_low_c=-10.0)
    WetStateFactory(unit=unit, kind="preserved", happened_at=ago(1), good_until=None)
    sweep(unit)
    assert check_of(unit, "water_frost")["outcome"] == "fail"


@pytest.mark.parametrize("ended", [None, 0.5])
def test_a_voltage_read_on_charge_is_no_evidence(ended: float | None) -> None:
    """What the charger holds is not what the bank holds: without another reading nothing tells its charge state."""
    unit = ready_unit()
    bank = bank_of(unit)
    bank.readings.update(struck_at=ago(3), struck_reason="not so")
    bank.charges.update(struck_at=ago(3), struck_reason="not so")
    ReadingFactory(bank=bank, happened_at=ago(1), volts_v=25.7, temp_c=15.0, rest_h=48.0)
    sweep(unit)
    assert check_of(unit, "charge_known")["outcome"] == "pass"
    if ended is None:
        OpenChargeFactory(bank=bank, happened_at=ago(1.2))
    else:
        ChargeFactory(bank=bank, happened_at=ago(1.2), ended_at=ago(ended), end_sign="", ah_in=None)
    sweep(unit)
    assert check_of(unit, "charge_known")["outcome"] == "cannot_decide"


@pytest.mark.parametrize(("days", "outcome"), [(7, "pass"), (8, "fail")])
def test_wet_and_idle_over_seven_days(days: int, outcome: str) -> None:
    unit = ready_unit()
    WetStateFactory(unit=unit, kind="wet", happened_at=ago(days))
    sweep(unit)
    assert check_of(unit, "wet_idle")["outcome"] == outcome
    assert ("wet_idle" in open_rules(unit)) == (outcome == "fail")


def test_a_discharged_lead_bank_may_freeze_where_a_full_one_does_not() -> None:
    depot = DepotFactory()
    ClimateNormal.objects.filter(place=depot).update(record_low_c=-30.0)
    full, flat = ready_unit(home=depot), ready_unit(home=depot)
    ReadingFactory(bank=bank_of(flat), volts_v=24.0, happened_at=ago(1))
    sweep(full, flat)
    assert check_of(full, "acid_frost")["outcome"] == "pass"
    assert check_of(flat, "acid_frost")["outcome"] == "fail"


def test_a_charge_left_open_past_its_planned_end() -> None:
    unit = ready_unit()
    bank = bank_of(unit)
    running = OpenChargeFactory(bank=bank, planned_end_at=ago(hours=-8))
    sweep(unit)
    assert "charge_open" not in open_rules(unit)
    running.planned_end_at = ago(1.5)
    running.happened_at = ago(2)
    running.save()
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert "charge_open" in open_rules(unit)


def test_a_broken_floor_leaves_a_capacity_test_behind_until_it_is_done() -> None:
    unit = ready_unit()
    bank = bank_of(unit)
    ReadingFactory(bank=bank, volts_v=23.7, happened_at=ago(8))
    ChargeFactory(bank=bank, happened_at=ago(7))
    ReadingFactory(bank=bank, happened_at=ago(3))
    sweep(unit)
    assert BankState.objects.get(bank=bank).low_soc > 0.8
    assert "floor_broken" in open_rules(unit)
    BankTestFactory(bank=bank, happened_at=ago(1))
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert "floor_broken" not in open_rules(unit)


def test_float_is_not_believed_past_its_check_interval() -> None:
    unit = ready_unit()
    bank = bank_of(unit)
    SupplyStateFactory(bank=bank, kind="float", check_interval_days=14, happened_at=ago(20))
    sweep(unit)
    assert check_of(unit, "float_proof")["outcome"] == "fail"
    assert "float_expired" in BankState.objects.get(bank=bank).reasons


def test_a_fault_that_needs_a_part_nobody_has_blocks() -> None:
    unit = ready_unit()
    item = ItemFactory()
    FaultFactory(unit=unit, severity="blocks", mend_h=1.0, part_item=item, part_qty=2)
    in_store(1, place=unit.home, lot=LotFactory(item=item))
    sweep(unit)
    assert verdict(unit).outcome == "blocked"
    in_store(1, place=unit.home, lot=LotFactory(item=item))
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert verdict(unit).outcome == "ready"


def test_a_unit_that_gave_its_bank_away_is_blocked_and_one_without_any_is_not_known() -> None:
    gave, never = ready_unit(), UnitFactory(design=DesignFactory())
    gave.bank_stays.update(ended_at=ago(1))
    sweep(gave, never)
    assert verdict(gave).outcome == "blocked"
    assert check_of(never, "bank_aboard")["outcome"] == "cannot_decide"


def test_lithium_is_charged_before_it_leaves() -> None:
    unit = UnitFactory()
    bank = BankFactory(
        unit=unit,
        chemistry="lfp",
        cells_in_series=8,
        capacity_ah=200.0,
        charger_a=40.0,
        design_life_years=10.0,
    )
    SupplyStateFactory(bank=bank)
    ChargeFactory(bank=bank, to_soc=0.55, end_sign="bms_full")
    WetStateFactory(unit=unit)
    sweep(unit)
    assert check_of(unit, "charge_floor")["outcome"] == "pass"
    depart = check_of(unit, "charge_depart")
    assert depart["outcome"] == "fail"
    assert 2 <= depart["mend_h"] <= 5
    assert verdict(unit).outcome == "ready", "within the notice"


def test_blocks_that_nobody_measured_are_not_called_even() -> None:
    unit = ready_unit()
    ReadingFactory(bank=bank_of(unit), happened_at=ago(8))
    sweep(unit)
    assert checks_of(unit, "blocks_even") == []
    ReadingFactory(bank=bank_of(unit), happened_at=ago(7), lowest_block_v=12.0)
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert check_of(unit, "blocks_even")["outcome"] == "fail"
    ReadingFactory(bank=bank_of(unit), happened_at=ago(6))
    sweep(unit, now=NOW + dt.timedelta(minutes=2))
    assert check_of(unit, "blocks_even")["outcome"] == "fail"
    assert check_of(unit, "blocks_even")["data"]["reading_day"] == (TODAY - dt.timedelta(days=7)).isoformat()
    assert "weak_block" in open_rules(unit)


def away_and_back(unit: Any, *, out: float, back: float | None, purpose: str = "loan") -> None:
    """An absence `out` days ago, ended `back` days ago (None: still running), with the stays that go with it."""
    absence = Absence.objects.create(
        unit=unit,
        purpose=purpose,
        custodian="the neighbours",
        place=unit.home,
        started_at=ago(out),
        ended_at=None if back is None else ago(back),
    )
    here = unit.stays.get(ended_at=None)
    here.ended_at = ago(out)
    here.save()
    UnitStay.objects.create(unit=unit, absence=absence, started_at=ago(out), ended_at=absence.ended_at)
    if back is not None:
        UnitStay.objects.create(unit=unit, place=unit.home, started_at=ago(back))


@pytest.mark.parametrize(("seen", "known"), [(12, False), (7, False), (4.1, False), (4, True), (1, True)])
def test_wet_or_dry_must_be_seen_again_after_an_absence(seen: float, known: bool) -> None:
    """Away from ten to four days ago: what was seen before or meanwhile does not count, at the return it does."""
    unit = ready_unit()
    ClimateNormal.objects.filter(place=unit.home).update(record_low_c=-10.0)
    unit.wet_states.all().update(struck_at=ago(1), struck_reason="not so")
    WetStateFactory(unit=unit, kind="dry", happened_at=ago(seen))
    away_and_back(unit, out=10, back=4)
    sweep(unit)
    assert check_of(unit, "wet_known")["outcome"] == ("pass" if known else "cannot_decide")
    assert check_of(unit, "water_frost")["outcome"] == ("pass" if known else "fail")
    assert ("survey" in open_rules(unit)) is not known
    assert ("frost" in open_rules(unit)) is not known
    if not known:
        assert "since it came back" in check_sentence(check_of(unit, "wet_known"))


def test_wet_or_dry_of_a_unit_away_is_not_asked_for_but_counts_as_wet() -> None:
    unit = ready_unit()
    ClimateNormal.objects.filter(place=unit.home).update(record_low_c=-10.0)
    unit.wet_states.all().update(struck_at=ago(1), struck_reason="not so")
    WetStateFactory(unit=unit, kind="dry", happened_at=ago(20))
    away_and_back(unit, out=10, back=None)
    sweep(unit)
    assert checks_of(unit, "wet_known") == []
    assert check_of(unit, "water_frost")["outcome"] == "fail"
    WetStateFactory(unit=unit, kind="dry", happened_at=ago(2))
    sweep(unit, now=NOW + dt.timedelta(minutes=1))
    assert check_of(unit, "water_frost")["outcome"] == "pass"


def unit_with_worn_part(*, train: str = "a", used: float, volume: bool = False, **plan: float | None) -> Any:
    """A unit of a 30-day mission; its lamp of 9,000 h (or cartridge of 3,000 m³) is used so far; a spare is in stores."""
    unit = ready_unit()
    for name, value in plan.items():
        setattr(unit.design, name, value)
    unit.design.save()
    limits = {"service_life_h": None, "service_life_m3": 3000.0} if volume else {"service_life_h": 9000.0}
    item = LampFactory(fit_h=0.5, service_life_months=None, **limits)
    part = fitted(unit, item=item, train=train)
    in_store(1, place=unit.home, lot=LotFactory(item=item))
    FittedPart.objects.filter(pk=part.pk).update(**{"carried_m3" if volume else "carried_h": used})
    return unit


PLAN_H, PLAN_M3 = {"train_hours_day": 20.0}, {"train_m3_day": 15.0}


@pytest.mark.parametrize(
    ("facts", "outcome", "stages"),
    [
        ({"used": 8400.0, **PLAN_H}, "pass", {"coming"}),  # 600 h left, 600 h planned
        ({"used": 8401.0, **PLAN_H}, "fail", {"now"}),
        ({"used": 7800.0, **PLAN_H}, "pass", set()),
        ({"used": 7801.0, **PLAN_H}, "pass", {"coming"}),
        ({"used": 8401.0, "train": "", **PLAN_H}, "fail", {"now"}),
        ({"used": 8280.0, "train": "", **PLAN_H}, "pass", {"coming"}),  # both trains: 24 h a day at most
        ({"used": 8281.0, "train": "", **PLAN_H}, "fail", {"now"}),
        ({"used": 2550.0, "volume": True, **PLAN_M3}, "pass", {"coming"}),  # 450 m³ left and planned
        ({"used": 2551.0, "volume": True, **PLAN_M3}, "fail", {"now"}),
        ({"used": 2100.0, "volume": True, **PLAN_M3}, "pass", set()),
        ({"used": 2100.0, "volume": True, "train": "", **PLAN_M3}, "pass", {"coming"}),
        ({"used": 8990.0, "train_hours_day": None}, "pass", set()),  # no plan: as long as anything is left
        ({"used": 9000.0, "train_hours_day": None}, "fail", {"now"}),
        (
            {"used": 2990.0, "volume": True, "train_m3_day": 200.0},
            "pass",
            set(),
        ),  # changed on the way, from the kit
    ],
)
def test_what_is_left_of_a_part_must_last_for_the_planned_use_of_the_mission(
    facts: dict[str, Any], outcome: str, stages: set[str]
) -> None:
    unit = unit_with_worn_part(**facts)
    sweep(unit)
    check = check_of(unit, "part_life")
    assert check["outcome"] == outcome
    assert check.get("mend_h", 0) == (0 if outcome == "pass" else 0.5)
    assert verdict(unit).outcome == "ready", "half an hour is within the notice"
    assert verdict(unit).time_to_ready_h == (0 if outcome == "pass" else 0.5)
    found = Alert.objects.filter(about_unit=unit, rule="part_life", cleared_at=None)
    assert {item["stage"] for alert in found for item in alert.data["items"]} == stages
    if stages == {"coming"}:
        assert "through one but not through two" in check_sentence(check_of(unit, "part_ahead"))
    else:
        assert checks_of(unit, "part_ahead") == []


def test_months_of_a_part_whose_first_fitting_is_unknown_cannot_be_counted() -> None:
    unit = ready_unit()
    item = LampFactory(fit_h=0.5, service_life_h=None, service_life_months=24)
    part = fitted(unit, item=item, train="a")
    sweep(unit)
    assert check_of(unit, "part_life")["outcome"] == "pass"
    FittedPart.objects.filter(pk=part.pk).update(first_fitted_at=None, use_known=False)
    sweep(unit)
    assert check_of(unit, "part_life")["outcome"] == "cannot_decide"


@pytest.mark.parametrize(("used", "said"), [(8940.0, "60 h left"), (9060.0, "60 h over its life")])
def test_what_is_used_beyond_its_life_is_said_as_such(used: float, said: str) -> None:
    unit = unit_with_worn_part(used=used)
    sweep(unit)
    assert said in check_sentence(check_of(unit, "part_life"))
