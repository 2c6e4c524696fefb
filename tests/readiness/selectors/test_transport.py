"""What is on record of units for their transport class: goods, checks that go stale, the confirmed list, mass, papers."""

from __future__ import annotations

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.domain.dangerous_goods.answers import decide_item
from fleet.domain.dangerous_goods.records import Battery, Goods
from fleet.domain.dangerous_goods.words import Mode
from fleet.domain.fit.mass import PackedMass
from fleet.domain.transport.records import PaperState, UnitRecord
from fleet.models import BankTransport, DepotTerms, PackedForm, SupplyState, TransportTerms, Unit, UnitForm
from fleet.services.corrections import record_strike
from inventory.models import GoodsCheck, GoodsLine, GoodsListCheck, ItemGoods
from readiness.models import BankState, Reading
from readiness.selectors.transport import load_transport
from tests.factories.fleet import (
    FIRST_DAY,
    NOW,
    TODAY,
    BankFactory,
    CertificateFactory,
    CertificateRuleFactory,
    ModificationFactory,
    PackedFormFactory,
    UnitFactory,
    WeighingFactory,
    WetStateFactory,
    ago,
)
from tests.factories.inventory import DesignItemFactory, ItemFactory, aboard
from tests.factories.readiness import ChargeFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture
def skid() -> Unit:
    unit: Unit = UnitFactory()
    PackedFormFactory(design=unit.design, code="skid", mass_kg=1800.0)
    WetStateFactory(unit=unit)
    return unit


def record(unit: Unit, ship_date: dt.date = TODAY, **asked: Any) -> UnitRecord:
    chosen = Unit.objects.filter(pk=unit.pk).select_related("design", "home")
    (found,) = load_transport(
        chosen, ship_date=ship_date, now=NOW, mission_days=asked.pop("days", 30), **asked
    )
    return found


def battery(unit: Unit, **asked: Any) -> Battery:
    item = record(unit, **asked).items[0].item
    assert isinstance(item, Battery)
    return item


def check(unit: Unit, kind: str, answer: str, days: float = 1, **about: Any) -> GoodsCheck:
    return GoodsCheck.objects.create(unit=unit, kind=kind, answer=answer, happened_at=ago(days), **about)


def test_a_bank_of_which_nothing_was_said_leaves_everything_open(skid: Unit) -> None:
    BankFactory(unit=skid, chemistry="lfp", capacity_ah=100, cells_in_series=4)
    found = battery(skid)
    assert found.chemistry == "li_ion"
    assert found.wh == pytest.approx(1280.0)  # 12.8 V × 100 Ah, the worked example of the reference page
    for name in ("condition", "terminals_protected", "config", "host", "un383", "soc_pct", "net_mass_kg"):
        assert getattr(found, name) is None, name


def test_a_check_counts_through_its_last_day_and_not_a_day_longer(skid: Unit) -> None:
    bank = BankFactory(unit=skid)
    TransportTerms.objects.create(
        valid_from=TODAY - dt.timedelta(days=400), condition_days=30, terminals_days=10
    )
    check(skid, "condition", "ok", days=30, bank=bank)
    check(skid, "terminals", "yes", days=11, bank=bank)
    assert battery(skid).condition == "ok"
    assert battery(skid).terminals_protected is None
    assert battery(skid, ship_date=TODAY + dt.timedelta(days=1)).condition is None


def test_what_is_harmful_counts_until_somebody_finds_otherwise(skid: Unit) -> None:
    bank = BankFactory(unit=skid)
    check(skid, "condition", "damaged", days=300, bank=bank)
    check(skid, "terminals", "no", days=300, bank=bank)
    assert (battery(skid).condition, battery(skid).terminals_protected) == ("damaged", False)
    check(skid, "condition", "ok", days=2, bank=bank)
    assert battery(skid).condition == "ok"


def test_a_struck_check_counts_for_nothing(skid: Unit) -> None:
    bank = BankFactory(unit=skid)
    row = check(skid, "terminals", "yes", bank=bank)
    record_strike(record=row, reason="another bank", actor=None, now=NOW)
    assert battery(skid).terminals_protected is None


def test_the_upper_end_of_the_charge_counts_unless_it_was_measured_lately(skid: Unit) -> None:
    bank = BankFactory(unit=skid, chemistry="lfp")
    state = BankState.objects.create(
        bank=bank, as_of=TODAY, status="known", soc=0.4, low_soc=0.3, high_soc=0.5
    )
    assert battery(skid).soc_pct == pytest.approx(50.0)
    Reading.objects.create(bank=bank, kind="voltage", volts_v=13.0, happened_at=ago(hours=1))
    assert battery(skid).soc_pct == pytest.approx(50.0)  # a plateau proves nothing
    Reading.objects.create(bank=bank, kind="meter", meter_soc=0.28, happened_at=ago(hours=20))
    assert battery(skid).soc_pct == pytest.approx(28.0)
    later = TODAY + dt.timedelta(days=3)
    assert battery(skid, ship_date=later).soc_pct == pytest.approx(50.0)
    state.as_of = TODAY - dt.timedelta(days=5)
    state.save()
    assert battery(skid, ship_date=later).soc_pct is None


@pytest.mark.parametrize("zone", ["America/Los_Angeles", "UTC", "Pacific/Auckland"])
def test_the_hours_of_a_meter_reading_are_counted_to_midnight_at_home(zone: str) -> None:
    """24 h before the ship date begins where the unit is: in summer time too, and not by Greenwich."""
    unit = UnitFactory(home__time_zone=zone)
    TransportTerms.objects.create(valid_from=FIRST_DAY, soc_hours=24)
    bank = BankFactory(unit=unit, chemistry="lfp")
    BankState.objects.create(bank=bank, as_of=TODAY, status="known", soc=0.4, low_soc=0.3, high_soc=0.5)
    leaves = TODAY + dt.timedelta(days=2)
    midnight = dt.datetime.combine(leaves, dt.time(0), ZoneInfo(zone)).astimezone(dt.UTC)
    reading = Reading.objects.create(
        bank=bank, kind="meter", meter_soc=0.28, happened_at=midnight - dt.timedelta(hours=24, seconds=1)
    )
    assert battery(unit, ship_date=leaves).soc_pct == pytest.approx(50.0)
    Reading.objects.filter(pk=reading.pk).update(happened_at=midnight - dt.timedelta(hours=24))
    assert battery(unit, ship_date=leaves).soc_pct == pytest.approx(28.0)


def test_a_test_summary_counts_while_the_certificate_is_in_force(skid: Unit) -> None:
    bank = BankFactory(unit=skid, chemistry="lfp")
    assert battery(skid).un383 is None
    CertificateFactory(unit=skid, kind="battery_summary")
    assert battery(skid).un383 == "pass"
    ModificationFactory(unit=skid, touches=["type_test"], happened_at=ago(2))
    assert battery(skid).un383 is None
    BankTransport.objects.create(bank=bank, un383="fail")
    assert battery(skid).un383 == "fail"


def test_a_report_that_is_not_on_file_shows_nothing_but_a_failed_test_stays_one(skid: Unit) -> None:
    bank = BankFactory(unit=skid, chemistry="vrla_gel")
    facts = BankTransport.objects.create(bank=bank, vib_pressure_ok=True, no_free_liquid_55c=False)
    assert (battery(skid).vib_pressure_ok, battery(skid).no_free_liquid_55c) == (None, False)
    CertificateFactory(unit=skid, kind="non_spillable")
    assert battery(skid).vib_pressure_ok is True
    facts.vib_pressure_ok = False
    facts.save()
    assert battery(skid).vib_pressure_ok is False


def test_what_was_found_on_a_bank_goes_with_it_from_unit_to_unit(skid: Unit) -> None:
    bank = BankFactory(unit=UnitFactory())
    check(bank.stays.get().unit, "condition", "damaged", days=60, bank=bank)
    check(bank.stays.get().unit, "terminals", "yes", days=4, bank=bank)
    bank.stays.update(unit=skid, started_at=ago(3))
    assert battery(skid).condition == "damaged"
    assert battery(skid).terminals_protected is None  # looked at where it was
    check(skid, "condition", "ok", days=1, bank=bank)
    assert battery(skid).condition == "ok"


def test_an_item_aboard_of_which_nobody_spoke_is_undecided_and_one_said_to_be_none_is_not_listed(
    skid: Unit,
) -> None:
    lot = aboard(skid, 3)
    found = record(skid)
    assert found.keys == (f"item:{lot.item.code}",)
    assert found.items[0].item == Goods()
    goods = ItemGoods.objects.create(item=lot.item, kind="none")
    assert record(skid).keys == ()
    goods.kind, goods.attributes = "goods", {"un": "2880", "pg": "II"}
    goods.save()
    lot.item.mass_kg = None
    lot.item.save()
    assert record(skid).items[0].item == Goods(un="2880", pg="II", qty=None)  # nobody weighed a piece
    lot.item.mass_kg = 2.0
    lot.item.save()
    assert record(skid).items[0].item == Goods(un="2880", pg="II", qty=6.0)


@pytest.mark.parametrize(
    "facts",
    [{"un": "UN1950x", "qty": "5"}, {"weight": 3}, {"un": "2880", "pg": "IV"}, {"un": "2880", "qty": -1}],
)
def test_facts_that_cannot_be_used_are_not_known_and_stop_nobody(skid: Unit, facts: dict[str, Any]) -> None:
    lot = aboard(skid, 3)
    ItemGoods.objects.create(item=lot.item, kind="goods", attributes=facts)
    assert record(skid).items[0].item == Goods()


def test_a_number_without_an_entry_stays_and_is_not_decided(skid: Unit) -> None:
    lot = aboard(skid, 3)
    ItemGoods.objects.create(item=lot.item, kind="goods", attributes={"un": "9999", "qty": 1})
    item = record(skid).items[0].item
    assert item == Goods(un="9999", qty=1)
    for mode in Mode:
        assert decide_item(item, mode, dt.date(2026, 6, 30)).reason == "entry_not_held"


def test_a_measure_that_cannot_be_is_not_known_and_stops_nobody(skid: Unit) -> None:
    PackedForm.objects.update(length_mm=-3000.0, axle_load_kg=0.0)
    measures = record(skid).forms[0].measures
    assert (measures.length_mm, measures.axle_load_kg) == (None, None)


def test_only_a_proof_test_of_its_own_shows_that_the_lifting_points_were_proved(skid: Unit) -> None:
    CertificateFactory(unit=skid, kind="lifting_exam")
    assert record(skid).proof_in_date is None
    CertificateFactory(unit=skid, kind="proof_load", expires_on=TODAY + dt.timedelta(days=30))
    assert record(skid, days=30).proof_in_date is True
    assert record(skid, days=31).proof_in_date is False


def test_what_lies_aboard_beside_the_kit_is_carried_too(skid: Unit) -> None:
    dry = record(skid).forms[0].mass.total_kg
    assert dry is not None
    lot = aboard(skid, 3)
    lot.item.mass_kg = 12.5
    lot.item.save()
    mass = record(skid).forms[0].mass
    assert mass.total_kg == pytest.approx(dry + 37.5)
    assert any(line.label == f"aboard beside the kit: {lot.item.name}" for line in mass.lines)
    lot.item.mass_kg = None
    lot.item.save()
    assert record(skid).forms[0].mass.total_kg is None


def test_a_mass_stated_for_the_unit_counts_with_the_changes_after_it(skid: Unit) -> None:
    form = PackedForm.objects.get(design=skid.design)
    ModificationFactory(unit=skid, touches=["mass"], mass_change_kg=-200.0, happened_at=ago(60))
    UnitForm.objects.create(
        unit=skid,
        packed_form=form,
        mass_kg=1700.0,
        reason="tank off",
        valid_from=TODAY - dt.timedelta(days=30),
    )
    assert record(skid).forms[0].mass.total_kg == pytest.approx(1700.0)  # the 200 kg are not taken off twice
    ModificationFactory(unit=skid, touches=["mass"], mass_change_kg=25.0, happened_at=ago(9))
    assert record(skid).forms[0].mass.total_kg == pytest.approx(1725.0)
    WeighingFactory(unit=skid, packed_form=form, mass_kg=1790.0, happened_at=ago(40))
    assert record(skid).forms[0].weighed_on is None  # weighed before it was stated
    WeighingFactory(unit=skid, packed_form=form, mass_kg=1795.0, happened_at=ago(5))
    assert record(skid).forms[0].mass.total_kg == pytest.approx(1795.0)


def test_a_charge_measured_before_the_bank_was_charged_again_proves_nothing(skid: Unit) -> None:
    bank = BankFactory(unit=skid, chemistry="lfp")
    BankState.objects.create(bank=bank, as_of=TODAY, status="known", soc=0.9, low_soc=0.8, high_soc=0.95)
    Reading.objects.create(bank=bank, kind="meter", meter_soc=0.28, happened_at=ago(hours=10))
    assert battery(skid).soc_pct == pytest.approx(28.0)
    SupplyState.objects.create(bank=bank, kind="float", happened_at=ago(hours=8))
    assert battery(skid).soc_pct == pytest.approx(100.0)
    SupplyState.objects.create(bank=bank, kind="isolated", happened_at=ago(hours=6))
    assert battery(skid).soc_pct == pytest.approx(95.0)  # it was on float since it was measured
    Reading.objects.create(bank=bank, kind="meter", meter_soc=0.29, happened_at=ago(hours=5))
    ChargeFactory(bank=bank, happened_at=ago(hours=4), ended_at=ago(hours=2))
    assert battery(skid).soc_pct == pytest.approx(95.0)


def test_the_list_is_void_when_a_line_of_it_is_gone(skid: Unit) -> None:
    line = GoodsLine.objects.create(unit=skid, label="phone", kind="battery", happened_at=ago(50))
    other = GoodsLine.objects.create(unit=skid, label="extinguisher", kind="goods", happened_at=ago(50))
    assert record(skid).goods_list.why == "never"
    GoodsListCheck.objects.create(unit=skid, keys=[f"line:{line.pk}"], happened_at=ago(3))
    assert record(skid).goods_list.confirmed  # one more line than confirmed only adds to what is judged
    record_strike(record=other, reason="sold", actor=None, now=NOW)
    assert record(skid).goods_list.confirmed
    record_strike(record=line, reason="lost", actor=None, now=NOW)
    gone = record(skid).goods_list
    assert (gone.confirmed, gone.why, gone.gone) == (False, "gone", (f"line:{line.pk}",))


def test_a_list_goes_stale_by_the_owners_terms(skid: Unit) -> None:
    TransportTerms.objects.create(valid_from=TODAY - dt.timedelta(days=400), list_days=5)
    GoodsListCheck.objects.create(unit=skid, keys=[], happened_at=ago(5))
    assert record(skid).goods_list.confirmed
    assert record(skid, ship_date=TODAY + dt.timedelta(days=1)).goods_list.why == "stale"


def test_the_packed_mass_is_what_was_weighed_and_every_change_since(skid: Unit) -> None:
    form = PackedForm.objects.get(design=skid.design)
    ModificationFactory(unit=skid, touches=["mass"], mass_change_kg=50.0, happened_at=ago(60))
    WeighingFactory(unit=skid, packed_form=form, mass_kg=1900.0, happened_at=ago(40))
    assert record(skid).forms[0].mass.total_kg == pytest.approx(1900.0)
    ModificationFactory(unit=skid, touches=["mass"], mass_change_kg=-20.0, happened_at=ago(10))
    assert record(skid).forms[0].mass.total_kg == pytest.approx(1880.0)
    ModificationFactory(unit=skid, description="tank swapped", touches=["mass"], happened_at=ago(5))
    assert record(skid).forms[0].mass.unknown == ("tank swapped",)


def test_water_left_inside_weighs_until_the_unit_is_dry(skid: Unit) -> None:
    assert record(skid).forms[0].mass.total_kg == pytest.approx(1800.0)
    WetStateFactory(unit=skid, kind="wet", happened_at=ago(2))
    assert record(skid).forms[0].mass.total_kg is None
    skid.design.trapped_water_kg = 45.0
    skid.design.save()
    assert record(skid).forms[0].mass.total_kg == pytest.approx(1845.0)


def test_a_measure_taken_on_the_unit_goes_before_that_of_the_design(skid: Unit) -> None:
    form = PackedForm.objects.get(design=skid.design)
    UnitForm.objects.create(
        unit=skid,
        packed_form=form,
        height_mm=2400.0,
        reason="tank on top",
        valid_from=TODAY - dt.timedelta(days=9),
    )
    found = record(skid).forms[0]
    assert (found.measures.height_mm, found.measures.width_mm, found.own) == (2400.0, 2000.0, ("height_mm",))
    before = record(skid, ship_date=TODAY - dt.timedelta(days=10)).forms[0]
    assert before.measures.height_mm == 2200.0


def test_a_paper_holds_through_the_last_mission_day_or_not_at_all(skid: Unit) -> None:
    CertificateRuleFactory(design=skid.design, kind="electrical", gate="road")
    CertificateFactory(unit=skid, kind="electrical", expires_on=TODAY + dt.timedelta(days=30))
    states = {paper.kind: paper.state for paper in record(skid, days=30).papers}
    assert states == {"electrical": PaperState.HOLDS, "lifting_exam": PaperState.NEVER}
    assert record(skid, days=31).papers[0].state is PaperState.ENDS_EARLY


def test_the_number_of_queries_does_not_grow_with_the_units() -> None:
    def loaded(count: int) -> int:
        for _n in range(count):
            unit = UnitFactory()
            PackedFormFactory(design=unit.design)
            bank = BankFactory(unit=unit)
            check(unit, "condition", "ok", bank=bank)
            aboard(unit, 2, item=ItemFactory())
            GoodsLine.objects.create(unit=unit, label="phone", kind="battery", happened_at=ago(50))
            WeighingFactory(unit=unit)
        units = list(Unit.objects.select_related("design", "home"))
        with CaptureQueriesContext(connection) as seen:
            assert len(load_transport(units, ship_date=TODAY, now=NOW)) == len(units)
        return len(seen)

    assert loaded(2) == loaded(6)


def test_a_check_of_the_evening_counts_by_the_calendar_of_the_home(skid: Unit) -> None:
    # 20:00 of the 31st day before in Phoenix is 03:00 of the next day in UTC: thirty days are over.
    TransportTerms.objects.create(
        valid_from=TODAY - dt.timedelta(days=400), condition_days=30, terminals_days=30, list_days=30
    )
    skid.home.time_zone = "America/Phoenix"
    skid.home.save()
    bank = BankFactory(unit=skid)
    check(skid, "condition", "ok", days=30, bank=bank)
    assert battery(skid).condition == "ok"
    evening = dt.datetime.combine(TODAY - dt.timedelta(days=30), dt.time(3), tzinfo=dt.UTC)
    GoodsCheck.objects.create(unit=skid, kind="terminals", answer="yes", happened_at=evening, bank=bank)
    GoodsListCheck.objects.create(unit=skid, keys=[], happened_at=evening)
    assert battery(skid).terminals_protected is None
    assert record(skid).goods_list.why == "stale"


def test_an_addition_of_the_early_morning_counts_on_the_day_a_mass_was_stated(skid: Unit) -> None:
    # 06:00 in Manila is still the day before in UTC.
    skid.home.time_zone = "Asia/Manila"
    skid.home.save()
    form = PackedForm.objects.get(design=skid.design)
    stated = TODAY - dt.timedelta(days=9)
    UnitForm.objects.create(
        unit=skid, packed_form=form, mass_kg=2000.0, reason="weighed on the dock", valid_from=stated
    )
    early = dt.datetime.combine(stated - dt.timedelta(days=1), dt.time(22), tzinfo=dt.UTC)
    ModificationFactory(unit=skid, touches=["mass"], mass_change_kg=50.0, happened_at=early)
    assert record(skid).forms[0].mass.total_kg == pytest.approx(2050.0)


def test_a_bank_that_was_out_meanwhile_is_looked_at_again(skid: Unit) -> None:
    bank = BankFactory(unit=skid)
    check(skid, "terminals", "yes", days=5, bank=bank)
    check(skid, "condition", "damaged", days=5, bank=bank)
    assert battery(skid).terminals_protected is True
    bank.stays.update(started_at=ago(3))
    assert battery(skid).terminals_protected is None
    assert battery(skid).condition == "damaged"


def test_a_thing_that_is_no_dangerous_goods_weighs_all_the_same(skid: Unit) -> None:
    GoodsLine.objects.create(unit=skid, label="spare mast", kind="none", mass_kg=120.0, happened_at=ago(3))
    found = record(skid)
    assert found.items == ()
    assert found.forms[0].mass.total_kg == pytest.approx(1920.0)
    GoodsLine.objects.create(unit=skid, label="tent", kind="none", happened_at=ago(3))
    assert record(skid).forms[0].mass.unknown == ("tent",)


def test_a_kit_weighed_for_the_standard_days_grows_with_a_longer_mission(skid: Unit) -> None:
    """One cartridge of 4 kg for every 10 days: 3 for the standard 30 days, 7 for 61."""
    form = PackedForm.objects.get(design=skid.design)
    line = DesignItemFactory(design=skid.design, purpose="kit", qty=1, per_days=10)
    line.item.mass_kg = 4.0
    line.item.save()
    fixed = DesignItemFactory(design=skid.design, purpose="kit", qty=2, per_days=None)
    assert fixed.item.mass_kg is None  # of which the kit has two, however long the mission is
    WeighingFactory(unit=skid, packed_form=form, mass_kg=1900.0, kit_aboard=True, happened_at=ago(40))
    DepotTerms.objects.filter(place=skid.home).update(mission_days=30)

    def mass(days: int | None) -> PackedMass:
        return record(skid, days=days).forms[0].mass

    for days in (None, 5, 30):
        assert mass(days).total_kg == pytest.approx(1900.0), days
    assert mass(31).total_kg == pytest.approx(1904.0)
    assert mass(61).total_kg == pytest.approx(1916.0)
    (more,) = [one.label for one in mass(61).lines if one.label.startswith("more kit")]
    assert more == f"more kit than it was weighed with, for the longer mission: {line.item.name}"
    line.item.mass_kg = None
    line.item.save()
    assert mass(30).total_kg == pytest.approx(1900.0)
    assert mass(31).unknown == (more,)


def test_the_kit_was_weighed_for_the_shortest_mission_that_was_standard_since(skid: Unit) -> None:
    form = PackedForm.objects.get(design=skid.design)
    line = DesignItemFactory(design=skid.design, purpose="kit", qty=1, per_days=10)
    line.item.mass_kg = 4.0
    line.item.save()
    WeighingFactory(unit=skid, packed_form=form, mass_kg=1900.0, kit_aboard=True, happened_at=ago(40))
    changed = TODAY - dt.timedelta(days=20)
    DepotTerms.objects.filter(place=skid.home).update(
        mission_days=30, valid_to=changed - dt.timedelta(days=1)
    )
    DepotTerms.objects.create(place=skid.home, valid_from=changed, mission_days=60)
    assert record(skid, days=None).forms[0].mass.total_kg == pytest.approx(1912.0)
    WeighingFactory(unit=skid, packed_form=form, mass_kg=1911.0, kit_aboard=True, happened_at=ago(10))
    assert record(skid, days=None).forms[0].mass.total_kg == pytest.approx(1911.0)


def test_where_no_standard_mission_is_stated_a_kit_that_was_weighed_is_not_enough(skid: Unit) -> None:
    form = PackedForm.objects.get(design=skid.design)
    line = DesignItemFactory(design=skid.design, purpose="kit", qty=1, per_days=10)
    line.item.mass_kg = 4.0
    line.item.save()
    WeighingFactory(unit=skid, packed_form=form, mass_kg=1900.0, kit_aboard=True, happened_at=ago(40))
    DepotTerms.objects.filter(place=skid.home).update(mission_days=None)
    for days in (None, 5):
        mass = record(skid, days=days).forms[0].mass
        assert mass.total_kg is None, days
        assert mass.unknown == (
            f"more kit than it was weighed with, for the longer mission: {line.item.name}",
        )
    WeighingFactory(unit=skid, packed_form=form, mass_kg=1850.0, kit_aboard=False, happened_at=ago(5))
    assert record(skid, days=5).forms[0].mass.total_kg == pytest.approx(1854.0)


def test_the_fuel_of_two_tanks_that_were_weighed_together_is_taken_off_once(skid: Unit) -> None:
    """Weighed with 20 L in both tanks; now 12 L of diesel and 8 L of petrol: the mass is that of the weighing, and what is
    not known, how much of each it was, counts as the lighter fuel. EN 590: 0.845, EN 228: 0.775 kg/L at most."""
    form = PackedForm.objects.get(design=skid.design)
    for label, fuel, litres in (("generator", "diesel", 12.0), ("pump", "petrol", 8.0)):
        line = GoodsLine.objects.create(
            unit=skid,
            label=label,
            kind="engine",
            attributes={"fuel": fuel},
            mass_kg=30.0,
            happened_at=ago(60),
        )
        GoodsCheck.objects.create(
            unit=skid, line=line, kind="tank", answer="in_tank", fuel_l=litres, happened_at=ago(1)
        )
    WeighingFactory(unit=skid, packed_form=form, mass_kg=1900.0, fuel_l=20.0, happened_at=ago(40))
    fuel_kg = 12.0 * 0.845 + 8.0 * 0.775
    assert record(skid).forms[0].mass.total_kg == pytest.approx(1900.0 + fuel_kg - 20.0 * 0.775)
    WeighingFactory(unit=skid, packed_form=form, mass_kg=1900.0, fuel_l=0.0, happened_at=ago(39))
    assert record(skid).forms[0].mass.total_kg == pytest.approx(1900.0 + fuel_kg)


LOOSE = {
    "chemistry": "li_ion",
    "form": "battery",
    "config": "alone",
    "un383": "pass",
    "wh": 1200,
    "net_mass_kg": 12,
    "package_gross_kg": 14,
    "spare_sets": 1,
}


def test_a_loose_battery_goes_by_air_on_a_charge_that_was_measured_lately(skid: Unit) -> None:
    """Alone at 28 %: cargo aircraft. At 30.5 % the State approves. What was measured too long ago is not known."""
    line = GoodsLine.objects.create(
        unit=skid, label="spare pack", kind="battery", attributes=LOOSE, pieces=1, happened_at=ago(30)
    )
    for kind, answer in (("condition", "ok"), ("terminals", "yes")):
        GoodsCheck.objects.create(unit=skid, line=line, kind=kind, answer=answer, happened_at=ago(1))

    def by_air() -> tuple[str, tuple[str, ...]]:
        item = next(entry.item for entry in record(skid).items if entry.label == "spare pack")
        decision = decide_item(item, Mode.AIR, dt.date(2026, 6, 30))
        return decision.verdict.word, decision.missing

    def measured(soc_pct: float, hours: float) -> None:
        look = {"kind": "charge", "answer": "measured", "soc_pct": soc_pct}
        GoodsCheck.objects.create(unit=skid, line=line, happened_at=ago(hours=hours), **look)

    assert by_air() == ("cannot_decide", ("soc_pct",))
    measured(20.0, 200.0)
    assert by_air() == ("cannot_decide", ("soc_pct",))
    measured(28.0, 10.0)
    assert by_air() == ("cargo_aircraft_only", ())
    measured(30.5, 8.0)
    assert by_air()[0] == "approval_needed"


def test_the_charge_of_one_line_says_nothing_of_another_nor_of_a_bank(skid: Unit) -> None:
    bank = BankFactory(unit=skid, chemistry="lfp")
    first, other = (
        GoodsLine.objects.create(
            unit=skid, label=label, kind="battery", attributes=LOOSE, happened_at=ago(30)
        )
        for label in ("one pack", "other pack")
    )
    look = {"kind": "charge", "answer": "measured", "soc_pct": 20.0}
    GoodsCheck.objects.create(unit=skid, line=first, happened_at=ago(hours=2), **look)
    charge = {entry.label.split(",")[0]: entry.item.soc_pct for entry in record(skid).items}  # type: ignore[union-attr]
    assert charge == {bank.serial: None, "one pack": 20.0, "other pack": None}
    assert other.checks.count() == 0
