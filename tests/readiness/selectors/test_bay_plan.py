"""From a depot's records to the question of its bay plan: who is in it, who is not and why, in a fixed number of queries."""

import datetime as dt

import numpy as np
import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import Absence, ClimateNormal, UnitStay
from readiness.domain.bay_plan.wishes import WEIGHTS, Why
from readiness.models import Call, CrewDay, CrewHours, Plan, PlanLine
from readiness.selectors.bay_plan import bay_facts
from tests.factories.bay_depot import bay_depot, charged_bank, equip
from tests.factories.fleet import NOW, TODAY, BankFactory, DepotFactory, UnitFactory, ago
from tests.factories.readiness import (
    ChargeFactory,
    ChargerBayFactory,
    OpenChargeFactory,
    StoragePolicyFactory,
    SupplyHoursFactory,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

MILD = {"terms__reading_max_age_days": 720}


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def depot():
    return bay_depot(**MILD)


def due_bank(depot, days_ago=98.0, **given):
    """Due a hundred days after its last charge, far from its floor."""
    return charged_bank(depot, days_ago, **{"maker_interval_days": 100, "floor_soc": 0.2, **given})


def job_of(facts, bank):
    return next((job for job in facts.problem.jobs if job.key == bank.serial), None)


def left_out(facts):
    return {row["bank"]: row["key"] for row in facts.left_out}


def send_away(unit, back_on):
    UnitStay.objects.filter(unit=unit).update(ended_at=ago(5))
    absence = Absence.objects.create(
        unit=unit, purpose="exercise", custodian="Ines", started_at=ago(5), due_back_on=back_on
    )
    UnitStay.objects.create(unit=unit, absence=absence, started_at=ago(5))


def reserve(bank, leaves_at, number=1):
    unit = bank.stays.get().unit
    call = Call.objects.create(code=f"C-{number}", wanted_from=leaves_at)
    plan = Plan.objects.create(code=f"P-{number}")
    PlanLine.objects.create(plan=plan, call=call, unit=unit, reserved=True)


class TestWhoIsInIt:
    def test_due_within_the_horizon_and_no_other(self, depot):
        soon, later = due_bank(depot, 98), due_bank(depot, 80)
        facts = bay_facts(depot, now=NOW)
        assert job_of(facts, later) is None
        job = job_of(facts, soon)
        assert facts.grid.at(job.due) <= facts.wishes[soon.serial].due_at < facts.grid.at(job.due + 1)
        assert facts.wishes[soon.serial].due_at == pytest.approx(
            NOW + dt.timedelta(days=2), abs=dt.timedelta(hours=1)
        )
        assert (job.weight, job.floor) == (WEIGHTS[Why.INTERVAL], None)

    def test_a_floor_in_sight_is_the_last_moment_to_begin(self, depot):
        plain = charged_bank(depot, 20, maker_interval_days=360, floor_soc=0.05)
        low = next(iter(bay_facts(depot, now=NOW).grid.days()))
        assert low == TODAY
        assert job_of(bay_facts(depot, now=NOW), plain) is None
        # A draw of 2 Ah a day from 200 Ah: 1 % a day besides its own loss.
        near = charged_bank(depot, 20, maker_interval_days=360, floor_soc=0.5, standby_ma=83.3)
        facts = bay_facts(depot, now=NOW)
        job, wish = job_of(facts, near), facts.wishes[near.serial]
        assert wish.why is Why.FLOOR
        assert job.floor == job.due
        assert facts.grid.at(job.floor) <= wish.floor_at < facts.grid.at(job.floor + 1)
        assert job.weight == WEIGHTS[Why.FLOOR]

    def test_under_its_floor_it_is_late_from_now_on(self, depot):
        bank = charged_bank(depot, 90, maker_interval_days=360, floor_soc=0.9)
        facts = bay_facts(depot, now=NOW)
        job = job_of(facts, bank)
        assert facts.wishes[bank.serial].why is Why.UNDER_FLOOR
        assert (job.due, job.floor, job.weight) == (0, None, WEIGHTS[Why.UNDER_FLOOR])

    def test_of_a_bank_nobody_knows_a_full_charge_is_assumed(self, depot):
        bank = BankFactory(unit=UnitFactory(home=depot))
        full = due_bank(depot)
        facts = bay_facts(depot, now=NOW)
        wish = facts.wishes[bank.serial]
        assert (wish.why, wish.known, wish.low_soc) == (Why.NOT_KNOWN, False, None)
        assert job_of(facts, bank).needs["B1"].slots > job_of(facts, full).needs["B1"].slots

    def test_what_is_lost_until_the_end_of_the_horizon_is_in_the_charge(self, depot):
        bank = due_bank(depot, standby_ma=400.0, floor_soc=0.01)
        wish = bay_facts(depot, now=NOW).wishes[bank.serial]
        # 14 days at 0.4 A are 134 Ah of 200 Ah; from the low end of today alone it would be far less.
        assert wish.kwh["B1"] > 134.0 * 1.10 * 12 * 2.4 / 1000.0 / 0.85

    def test_a_shelf_bank_counts_its_interval_from_its_last_full_charge(self, depot):
        fresh, old, never = (BankFactory(place=depot) for _n in range(3))
        for bank, days in ((fresh, 3), (old, 400)):
            ChargeFactory(bank=bank, happened_at=ago(days, hours=20), ended_at=ago(days))
        facts = bay_facts(depot, now=NOW)
        assert job_of(facts, fresh) is None
        assert job_of(facts, old).due == 0
        assert job_of(facts, never).due is None


class TestAwayAndReserved:
    def test_a_unit_that_comes_back_is_charged_after_its_day(self, depot):
        bank = due_bank(depot)
        send_away(bank.stays.get().unit, TODAY + dt.timedelta(days=3))
        facts = bay_facts(depot, now=NOW)
        job = job_of(facts, bank)
        assert facts.grid.at(job.release) == dt.datetime.combine(
            TODAY + dt.timedelta(days=4), dt.time(0), dt.UTC
        )
        assert not facts.wishes[bank.serial].known

    def test_one_without_a_day_of_return_or_after_the_horizon_is_named(self, depot):
        open_end, late = due_bank(depot), due_bank(depot)
        send_away(open_end.stays.get().unit, None)
        send_away(late.stays.get().unit, TODAY + dt.timedelta(days=40))
        facts = bay_facts(depot, now=NOW)
        assert left_out(facts) == {open_end.serial: "away", late.serial: "back_later"}

    def test_a_visitor_from_another_depot_is_charged_where_it_stands(self, depot):
        bank = due_bank(DepotFactory(**MILD))
        unit = bank.stays.get().unit
        UnitStay.objects.filter(unit=unit).update(ended_at=ago(5))
        UnitStay.objects.create(unit=unit, place=depot, started_at=ago(5))
        assert job_of(bay_facts(depot, now=NOW), bank) is not None

    def test_a_reserved_unit_is_off_its_bay_before_it_leaves(self, depot):
        bank = due_bank(depot, 80, depart_soc=0.98)
        reserve(bank, NOW + dt.timedelta(days=2))
        facts = bay_facts(depot, now=NOW)
        job = job_of(facts, bank)
        assert facts.wishes[bank.serial].why is Why.LEAVES
        assert job.leaves == job.due == 48
        assert job.weight == max(WEIGHTS.values())

    def test_its_leaving_puts_off_no_floor_and_no_interval(self, depot):
        low = charged_bank(depot, 90, maker_interval_days=360, floor_soc=0.9)
        soon = due_bank(depot)
        before = job_of(bay_facts(depot, now=NOW), soon).due
        assert 0 < before < 240
        for number, bank in enumerate((low, soon)):
            reserve(bank, NOW + dt.timedelta(days=10), number)
        facts = bay_facts(depot, now=NOW)
        assert facts.wishes[low.serial].why is Why.LEAVES
        assert (job_of(facts, low).due, job_of(facts, low).leaves) == (0, 240)
        assert (job_of(facts, soon).due, job_of(facts, soon).leaves) == (before, 240)

    def test_one_that_leaves_nobody_knows_when_is_due_now(self, depot):
        bank = due_bank(depot, 80)
        reserve(bank, None)
        job = job_of(bay_facts(depot, now=NOW), bank)
        assert (job.due, job.leaves) == (0, None)


class TestWeather:
    def test_lithium_waits_until_it_is_warm_enough(self, depot):
        bank = due_bank(depot, chemistry="lfp", cells_in_series=8)
        ClimateNormal.objects.filter(place=depot).update(mean_c=-10.0)
        facts = bay_facts(depot, now=NOW)
        assert left_out(facts) == {bank.serial: "weather"}
        ClimateNormal.objects.filter(place=depot).update(mean_c=10.0)
        warm = bay_facts(depot, now=NOW)
        assert job_of(warm, bank).release == 0
        assert "weather_unsure" not in {note["key"] for note in warm.notes}

    def test_one_that_may_be_too_cold_is_planned_and_measured_first(self, depot):
        bank = due_bank(depot, chemistry="lfp", cells_in_series=8)
        ClimateNormal.objects.filter(place=depot).update(
            mean_c=-1.0
        )  # the day swings over the limit of 0 degC
        facts = bay_facts(depot, now=NOW)
        assert job_of(facts, bank).release == 0
        assert {"key": "weather_unsure", "bank": bank.serial} in facts.notes

    def test_what_the_sun_may_add_warms_no_bank_at_the_cold_end(self, depot):
        bank = due_bank(depot, chemistry="lfp", cells_in_series=8)
        # 2.5 degC less the swing of 3 K is under 0 degC; the 5 K of the enclosure come by day and not by night.
        ClimateNormal.objects.filter(place=depot).update(mean_c=2.5)
        assert {"key": "weather_unsure", "bank": bank.serial} in bay_facts(depot, now=NOW).notes

    def test_of_a_bank_on_a_shelf_or_away_it_is_said_that_nobody_looked(self, depot):
        ClimateNormal.objects.filter(place=depot).update(mean_c=-30.0)
        shelf, away = BankFactory(place=depot), due_bank(depot)
        send_away(away.stays.get().unit, TODAY + dt.timedelta(days=3))
        facts = bay_facts(depot, now=NOW)
        assert {job.key for job in facts.problem.jobs} == {shelf.serial, away.serial}
        assert {n["bank"] for n in facts.notes if n["key"] == "weather_untold"} == {shelf.serial, away.serial}


class TestBays:
    def test_what_has_to_be_written_down_first(self):
        facts = bay_facts(DepotFactory(terms__supply_limit_kw=None), now=NOW)
        assert facts.problem is None
        assert [stop["key"] for stop in facts.stops] == ["no_bays", "no_terms", "no_hours"]
        equip(depot := DepotFactory(terms__supply_limit_kw=None))
        assert [stop["key"] for stop in bay_facts(depot, now=NOW).stops] == ["no_supply"]
        equip(closed := DepotFactory())
        for day in range(-1, 20):
            CrewDay.objects.create(
                place=closed, day=TODAY + dt.timedelta(days=day), reason="closed for stock-taking"
            )
        assert [stop["key"] for stop in bay_facts(closed, now=NOW).stops] == ["no_hours_ahead"]

    def test_bays_that_are_alike_are_one_kind(self, depot):
        ChargerBayFactory(place=depot, name="C1", max_a=20.0)
        facts = bay_facts(depot, now=NOW)
        assert facts.problem.bays == {"B1": 2, "C1": 1}

    @pytest.mark.parametrize(
        ("bay", "bank", "reason"),
        [
            ({"profiles": ["lfp"]}, {}, "misfit_programme"),
            ({"max_v": 20.0}, {}, "misfit_voltage"),
        ],
    )
    def test_a_bank_that_no_bay_charges_is_named_with_the_reason(self, bay, bank, reason):
        depot = DepotFactory(**MILD)
        equip(depot, bays=0)
        ChargerBayFactory(place=depot, name="A1", **bay)
        found = due_bank(depot, **bank)
        facts = bay_facts(depot, now=NOW)
        assert left_out(facts) == {found.serial: reason}
        assert facts.problem.jobs == ()

    def test_a_tail_longer_than_the_crew_ever_stays_is_said_with_both_hours(self):
        depot = bay_depot(unattended=(), **MILD)
        CrewHours.objects.filter(place=depot).update(closes=dt.time(9))
        bank = due_bank(depot)
        facts = bay_facts(depot, now=NOW)
        assert left_out(facts) == {bank.serial: "misfit_length"}
        assert facts.left_out[0]["window"] == 2
        assert facts.left_out[0]["hours"] > 6

    def test_a_bay_without_a_programme_or_that_ends_is_named(self, depot):
        ChargerBayFactory(place=depot, name="X1", profiles=[])
        ChargerBayFactory(place=depot, name="X2", valid_to=TODAY + dt.timedelta(days=3))
        facts = bay_facts(depot, now=NOW)
        assert {(note["key"], note["bay"]) for note in facts.notes} == {
            ("bay_no_programme", "X1"),
            ("bay_ends", "X2"),
        }
        assert facts.problem.bays == {"B1": 2}

    def test_the_charger_gives_no_more_than_the_bay_has_power_for(self, depot):
        ChargerBayFactory(place=depot, name="W1", max_kw=0.5)
        bank = due_bank(depot)
        facts = bay_facts(depot, now=NOW)
        job = job_of(facts, bank)
        assert max(job.needs["W1"].profile_kw) == pytest.approx(0.5, abs=1e-3)
        assert facts.wishes[bank.serial].set_a["B1"] == 30.0
        assert job.needs["W1"].slots > job.needs["B1"].slots

    def test_only_what_may_run_alone_runs_alone_and_the_rest_pauses_where_it_must(self):
        depot = bay_depot(unattended=("vrla_agm",), **MILD)
        gel, agm = due_bank(depot), due_bank(depot, chemistry="vrla_agm")
        long = due_bank(depot, capacity_ah=800.0, chemistry="vrla_gel")
        facts = bay_facts(depot, now=NOW)
        assert (job_of(facts, agm).unattended, job_of(facts, gel).unattended) == (True, False)
        assert not job_of(facts, gel).may_pause
        assert job_of(facts, long).needs["B1"].slots > 10
        assert job_of(facts, long).may_pause
        assert facts.attend == {"vrla_gel": frozenset({gel.serial, long.serial})}


class TestRunning:
    def test_what_is_on_a_bay_stays_on_it(self, depot):
        bank = due_bank(depot)
        charge = OpenChargeFactory(bank=bank, bay="B2", place=depot, planned_end_at=ago(hours=-5))
        facts = bay_facts(depot, now=NOW)
        job = job_of(facts, bank)
        assert (job.held, job.held_bay, job.unattended) == ("B1", 1, True)
        assert job.needs["B1"].slots >= 5
        assert facts.wishes[bank.serial].charge == charge.pk

    def test_what_runs_elsewhere_draws_its_power(self, depot):
        bank = due_bank(depot)
        OpenChargeFactory(bank=bank, bay="", place=depot)
        facts = bay_facts(depot, now=NOW)
        assert job_of(facts, bank) is None
        assert [note["key"] for note in facts.notes] == ["bay_not_named"]
        assert facts.problem.base_kw[0] > facts.problem.base_kw[-1] == 1.0

    @pytest.mark.parametrize("name", ["A1", "Z1"])
    def test_of_an_unnamed_bay_the_strongest_charger_counts(self, depot, name):
        bank = due_bank(depot)
        OpenChargeFactory(bank=bank, bay="", place=depot)
        alone = bay_facts(depot, now=NOW).problem.base_kw
        ChargerBayFactory(place=depot, name=name, max_a=5.0)  # weaker: draws less, for longer
        both = bay_facts(depot, now=NOW).problem.base_kw
        assert np.all(both >= alone)
        assert both.sum() > alone.sum()

    def test_what_runs_is_borne_whatever_the_limit_says(self, depot):
        SupplyHoursFactory(place=depot, starts=dt.time(0), ends=dt.time(0), limit_kw=1.0)
        bank = due_bank(depot)
        OpenChargeFactory(bank=bank, bay="B1", place=depot)
        facts = bay_facts(depot, now=NOW)
        need = job_of(facts, bank).needs["B1"]
        assert np.all(facts.problem.free_kw[: need.slots] >= np.array(need.profile_kw) - 1e-6)
        assert [note["key"] for note in facts.notes] == ["running_over_supply"]


def test_lithium_is_put_away_as_the_owner_chose(depot):
    bank = due_bank(depot, chemistry="lfp", cells_in_series=8, standby_ma=200.0)
    full = bay_facts(depot, now=NOW).wishes[bank.serial]
    StoragePolicyFactory(place=depot, chemistry="lfp", store_soc=0.6)
    kept = bay_facts(depot, now=NOW).wishes[bank.serial]
    assert (full.to_soc, kept.to_soc) == (1.0, 0.6)
    assert kept.kwh["B1"] < full.kwh["B1"]


def test_under_the_level_it_is_kept_at_a_free_bay_brings_it_up(depot):
    bank = charged_bank(depot, 60, chemistry="lfp", cells_in_series=8, floor_soc=0.05, standby_ma=40.0)
    assert job_of(bay_facts(depot, now=NOW), bank) is None
    StoragePolicyFactory(place=depot, chemistry="lfp", store_soc=0.9)
    facts = bay_facts(depot, now=NOW)
    job, wish = job_of(facts, bank), facts.wishes[bank.serial]
    assert (wish.why, wish.to_soc, job.weight, job.floor) == (Why.KEPT, 0.9, WEIGHTS[Why.KEPT], None)
    assert job.due == max(0, facts.grid.boundary_before(wish.due_at))


def test_the_number_of_queries_does_not_grow_with_the_banks(depot):
    def queries():
        with CaptureQueriesContext(connection) as captured:
            bay_facts(depot, now=NOW)
        return len(captured)

    due_bank(depot)
    BankFactory(place=depot)
    few = queries()
    for number in range(8):
        due_bank(depot)
        BankFactory(place=depot)
        ChargerBayFactory(place=depot, name=f"Q{number}")
    assert queries() == few
