"""The bay plan as work: a draft at once, its proof by a worker, published once, begun and ended from a line."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterator

import numpy as np
import pytest
import time_machine

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, Job
from fleet.services import jobs
from fleet.services.jobs import job_cancel, job_run
from readiness.domain.bay_plan.plan import Charge as Planned
from readiness.domain.bay_plan.verify import faults_of
from readiness.models import BayCalendar, BayPlan, Charge, ChargerBay, CrewHours
from readiness.selectors.bay_plan import bay_facts
from readiness.services import bay_plans
from readiness.services.bay_calendars import bay_calendar_end, bay_calendar_renew, calendar_hash
from readiness.services.bay_charges import bay_line_start, bay_line_stop
from readiness.services.bay_plans import NothingToPlan, bay_plan_compute, kept_plan, kept_problem
from readiness.services.bay_publish import FactsChanged, bay_plan_publish, bay_plan_withdraw
from readiness.services.upkeep import reading_record
from tests.factories.bay_depot import bay_depot, charged_bank
from tests.factories.fleet import NOW, DepotFactory, UserFactory, ago
from tests.factories.readiness import BayTermsFactory, ChargerBayFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture(autouse=True)
def at_the_stated_moment() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture(autouse=True)
def no_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing runs by itself: the tests run each job by hand, with little time for each proof."""
    monkeypatch.setattr(jobs, "announce", lambda job_id: None)
    monkeypatch.setattr(bay_plans, "AT_ONCE_S", 0.1)
    monkeypatch.setattr(bay_plans, "PROOF_S", 10.0)


@pytest.fixture
def depot():
    """Two bays; four banks that are due in 2, 4, 6 and 8 days, and one that is not due."""
    found = bay_depot(terms__reading_max_age_days=720)
    for days in (98, 96, 94, 92, 30):
        due_bank(found, days)
    return found


@pytest.fixture
def person():
    return UserFactory(first_name="Nora", last_name="Lind")


def due_bank(depot, days_ago, **given):
    """Due a hundred days after its last charge, far from its floor."""
    return charged_bank(depot, days_ago, **{"maker_interval_days": 100, "floor_soc": 0.2, **given})


def proved(plan):
    job_run(job_id=plan.job_id, keep_lease=False)
    plan.refresh_from_db()
    return plan


class TestDraft:
    def test_a_sound_plan_is_kept_at_once_with_its_lines(self, depot, person):
        plan = bay_plan_compute(place=depot, actor=person)
        assert plan.state == BayPlan.State.DRAFT
        assert plan.lines.count() == 4
        assert faults_of(kept_problem(plan), kept_plan(plan).charges) == []
        for line in plan.lines.all():
            assert plan.starts_at <= line.starts_at < line.ends_at <= line.off_at <= plan.ends_at
            assert line.bay.place == depot
        assert AuditEntry.objects.filter(action="bayplan.compute").count() == 1
        assert Job.objects.get(kind="bay_plan").params == {"plan": plan.pk}

    def test_two_taps_make_one_draft(self, depot, person):
        token = uuid.uuid4()
        first = bay_plan_compute(place=depot, actor=person, token=token)
        assert bay_plan_compute(place=depot, actor=person, token=token).pk == first.pk
        assert bay_plan_compute(place=depot, actor=person).pk == first.pk
        assert BayPlan.objects.count() == Job.objects.count() == 1

    def test_a_new_draft_takes_the_place_of_the_one_before_and_stops_its_job(self, depot, person):
        first = bay_plan_compute(place=depot, actor=person)
        with time_machine.travel(NOW + dt.timedelta(minutes=1), tick=False):
            second = bay_plan_compute(place=depot, actor=person)
        first.refresh_from_db()
        assert (first.state, second.state) == (BayPlan.State.REPLACED, BayPlan.State.DRAFT)
        assert first.job.state == Job.State.CANCELLED
        assert first.lines.count() == 4

    def test_what_is_missing_is_named_and_nothing_is_kept(self, person):
        bare = DepotFactory()
        with pytest.raises(NothingToPlan) as refused:
            bay_plan_compute(place=bare, actor=person)
        assert [stop["key"] for stop in refused.value.stops] == ["no_bays", "no_terms", "no_hours"]
        ChargerBayFactory(place=bare)
        BayTermsFactory(place=bare)
        with pytest.raises(NothingToPlan) as refused:
            bay_plan_compute(place=bare, actor=person)
        assert [stop["key"] for stop in refused.value.stops] == ["no_hours"]
        assert not BayPlan.objects.exists()

    def test_a_plan_that_breaks_a_rule_is_never_kept(self, depot, person, monkeypatch):
        found = bay_plans.at_once

        def unsound(problem, **given):
            planned = found(problem, **given)
            for key, charge in planned.charges.items():
                planned.charges[key] = Planned(key, charge.kind, charge.slots[1:], charge.bays)
            return planned

        monkeypatch.setattr(bay_plans, "at_once", unsound)
        with pytest.raises(DomainError, match="breaks a rule"):
            bay_plan_compute(place=depot, actor=person)
        assert not BayPlan.objects.exists()


class TestProof:
    def test_the_worker_proves_the_draft(self, depot, person):
        plan = proved(bay_plan_compute(place=depot, actor=person))
        assert plan.proven
        assert [level["proven"] for level in plan.frozen["levels"]] == [True] * 7
        assert faults_of(kept_problem(plan), kept_plan(plan).charges) == []
        assert plan.lines.count() == 4
        assert plan.job.state == Job.State.DONE

    def test_a_second_run_after_a_kill_changes_nothing(self, depot, person):
        plan = proved(bay_plan_compute(place=depot, actor=person))
        lines = list(plan.lines.values_list("bank", "bay", "starts_at"))
        Job.objects.filter(pk=plan.job_id).update(
            state=Job.State.RUNNING, lease_until=NOW - dt.timedelta(hours=1)
        )
        again = proved(plan)
        assert list(again.lines.values_list("bank", "bay", "starts_at")) == lines
        assert again.proven

    def test_a_stopped_proof_leaves_the_draft_as_it_was(self, depot, person, monkeypatch):
        plan = bay_plan_compute(place=depot, actor=person)
        before = plan.lines.count()
        real = bay_plans.solve

        def stopped(problem, **given):
            job_cancel(job=plan.job, actor=person)
            return real(problem, **given)

        monkeypatch.setattr(bay_plans, "solve", stopped)
        job_run(job_id=plan.job_id, keep_lease=False)
        plan.refresh_from_db()
        assert plan.job.state == Job.State.CANCELLED
        assert plan.state == BayPlan.State.DRAFT
        assert plan.lines.count() == before

    def test_a_draft_that_has_ended_is_left_alone(self, depot, person):
        plan = bay_plan_compute(place=depot, actor=person)
        Job.objects.filter(pk=plan.job_id).update(state=Job.State.QUEUED)
        BayPlan.objects.filter(pk=plan.pk).update(state=BayPlan.State.WITHDRAWN)
        version = plan.version
        assert not proved(plan).proven
        assert plan.version == version

    def test_what_would_have_to_be_given_up_is_asked_where_something_is_late(self, person):
        depot = bay_depot(bays=1, terms__reading_max_age_days=720)
        for _n in range(3):
            due_bank(depot, 99.6)
        plan = proved(bay_plan_compute(place=depot, actor=person))
        levels = {level["name"]: level["value"] for level in plan.frozen["levels"]}
        assert levels["late"] > 0
        assert plan.frozen["ways_asked"]
        assert {way["what"] for way in plan.frozen["ways"]} <= {"bay", "supply", "day", "attend"}


class TestPublish:
    def test_one_is_published_and_the_next_takes_its_place(self, depot, person):
        first = bay_plan_publish(plan=bay_plan_compute(place=depot, actor=person), actor=person)
        assert (first.state, first.published_by) == (BayPlan.State.PUBLISHED, person)
        assert bay_plan_publish(plan=first, actor=person).pk == first.pk
        with time_machine.travel(NOW + dt.timedelta(minutes=10), tick=False):
            draft = bay_plan_compute(place=depot, actor=person)
            assert all(job.published is not None for job in kept_problem(draft).jobs)
            second = bay_plan_publish(plan=draft, actor=person)
        assert BayPlan.objects.get(place=depot, state=BayPlan.State.PUBLISHED).pk == second.pk
        first.refresh_from_db()
        assert first.state == BayPlan.State.REPLACED
        assert AuditEntry.objects.filter(action="bayplan.publish").count() == 2

    def test_the_next_plan_changes_nothing_that_need_not_change(self, depot, person):
        first = proved(bay_plan_compute(place=depot, actor=person))
        bay_plan_publish(plan=first, actor=person)
        with time_machine.travel(NOW + dt.timedelta(minutes=10), tick=False):
            again = proved(bay_plan_compute(place=depot, actor=person))
        assert kept_plan(again).value("changes") == 0
        where = ("bank", "bay__name", "starts_at", "ends_at")
        assert sorted(again.lines.values_list(*where)) == sorted(first.lines.values_list(*where))

    def test_a_draft_whose_facts_have_changed_is_refused_and_says_which(self, depot, person):
        draft = bay_plan_compute(place=depot, actor=person)
        bank = draft.lines.order_by("pk").first().bank
        reading_record(
            bank=bank,
            happened_at=ago(hours=1),
            kind="voltage",
            volts_v=25.4,
            temp_c=15.0,
            rest_h=30.0,
            actor=None,
            now=NOW,
        )
        ChargerBay.objects.filter(place=depot, name="B2").update(max_a=10)
        CrewHours.objects.filter(place=depot, weekday=0).update(closes=dt.time(12))
        with pytest.raises(FactsChanged) as refused:
            bay_plan_publish(plan=draft, actor=person)
        changes = refused.value.changes
        assert [change["key"] for change in changes] == ["changed_hours", "changed_bay", "bank_changed"]
        assert changes[1]["bay"] == "B2"
        assert (changes[2]["bank"], changes[2]["what"]) == (bank.serial, "evidence")
        draft.refresh_from_db()
        assert draft.state == BayPlan.State.DRAFT

    def test_a_record_about_a_bank_that_is_not_in_the_plan_changes_nothing(self, depot, person):
        draft = bay_plan_compute(place=depot, actor=person)
        other = charged_bank(depot, 10)
        reading_record(
            bank=other,
            happened_at=ago(hours=1),
            kind="voltage",
            volts_v=25.6,
            temp_c=15.0,
            rest_h=30.0,
            actor=None,
            now=NOW,
        )
        assert bay_plan_publish(plan=draft, actor=person).state == BayPlan.State.PUBLISHED

    def test_a_stale_draft_is_refused(self, depot, person):
        draft = bay_plan_compute(place=depot, actor=person)
        with pytest.raises(DomainError, match="not published any more"):
            bay_plan_publish(plan=draft, actor=person, now=NOW + dt.timedelta(hours=25))
        draft.lines.update(starts_at=NOW - dt.timedelta(hours=3))
        with pytest.raises(DomainError, match="should have begun on bay B"):
            bay_plan_publish(plan=draft, actor=person, now=NOW)

    def test_a_broken_floor_is_signed_by_name_and_reason(self, person, monkeypatch):
        depot = bay_depot(bays=1, terms__reading_max_age_days=720)
        due_bank(depot, 98)
        draft = bay_plan_compute(place=depot, actor=person)
        BayPlan.objects.filter(pk=draft.pk).update(floors_broken=1)
        draft.refresh_from_db()
        for name, reason, words in (
            ("", "no bay is free before Friday", "Sign with your name, 'Nora Lind'"),
            ("Somebody Else", "no bay is free before Friday", "Sign with your name"),
            ("Nora Lind", "late", "Say in a sentence"),
        ):
            with pytest.raises(DomainError, match=words):
                bay_plan_publish(plan=draft, actor=person, accepted_name=name, accepted_reason=reason)
        done = bay_plan_publish(
            plan=draft,
            actor=person,
            accepted_name=" nora  LIND ",
            accepted_reason="no bay is free before Friday",
        )
        assert (done.accepted_by, done.accepted_reason) == (person, "no bay is free before Friday")

    def test_withdrawn_with_a_reason(self, depot, person):
        plan = bay_plan_publish(plan=bay_plan_compute(place=depot, actor=person), actor=person)
        with pytest.raises(DomainError, match="Say why"):
            bay_plan_withdraw(plan=plan, actor=person)
        for _twice in range(2):
            plan = bay_plan_withdraw(plan=plan, actor=person, reason="the mains are out")
        assert (plan.state, plan.ended_reason) == (BayPlan.State.WITHDRAWN, "the mains are out")
        assert AuditEntry.objects.filter(action="bayplan.withdraw").count() == 1
        with pytest.raises(DomainError, match="withdrawn and cannot be published"):
            bay_plan_publish(plan=plan, actor=person)


class TestCharges:
    @pytest.fixture
    def published(self, depot, person):
        return bay_plan_publish(plan=bay_plan_compute(place=depot, actor=person), actor=person)

    def test_begun_from_a_line_once_and_ended(self, published, person):
        line = published.lines.order_by("starts_at").first()
        token = uuid.uuid4()
        charge = bay_line_start(line=line, actor=person, token=token)
        assert bay_line_start(line=line, actor=person, token=token).pk == charge.pk
        line.refresh_from_db()
        assert line.charge == charge
        assert (charge.bay, charge.place, charge.happened_at) == (line.bay.name, published.place, NOW)
        assert charge.planned_end_at == NOW + (line.ends_at - line.starts_at)
        later = NOW + (line.ends_at - line.starts_at)
        ended = bay_line_stop(line=line, actor=person, ended_at=later, end_sign="current_steady", now=later)
        assert (ended.pk, ended.end_sign) == (charge.pk, "current_steady")
        assert Charge.objects.filter(bank=line.bank, ended_at__gte=NOW).count() == 1

    def test_a_bay_holds_one_bank(self, published, person):
        first, *others = published.lines.order_by("starts_at")
        bay_line_start(line=first, actor=person)
        same_bay = next((line for line in others if line.bay_id == first.bay_id), None)
        if same_bay is None:
            same_bay = others[0]
            same_bay.bay = first.bay
            same_bay.save()
        with pytest.raises(DomainError, match=r"Bay B\d is taken: bank"):
            bay_line_start(line=same_bay, actor=person)

    @pytest.mark.parametrize(
        ("changed", "begins"),
        [
            ({"valid_to": ago(1).date()}, False),
            ({"max_a": 5.0}, False),
            ({"profiles": ["lfp"]}, False),
            ({"valid_to": ago(-30).date()}, True),
        ],
    )
    def test_a_bay_that_ended_or_was_changed_begins_no_charge(self, published, person, changed, begins):
        line = published.lines.order_by("starts_at").first()
        ChargerBay.objects.filter(pk=line.bay_id).update(**changed)
        line.refresh_from_db()
        if begins:
            assert bay_line_start(line=line, actor=person).bay == line.bay.name
            return
        with pytest.raises(DomainError, match="has ended or was changed since"):
            bay_line_start(line=line, actor=person)
        assert not Charge.objects.filter(ended_at__isnull=True).exists()

    def test_only_the_published_plan_is_worked_by(self, depot, person):
        draft = bay_plan_compute(place=depot, actor=person)
        with pytest.raises(DomainError, match="a plan that is draft"):
            bay_line_start(line=draft.lines.first(), actor=person)

    def test_the_next_plan_keeps_what_has_started(self, published, depot, person):
        line = published.lines.order_by("starts_at").first()
        charge = bay_line_start(line=line, actor=person)
        with time_machine.travel(NOW + dt.timedelta(hours=2), tick=False):
            again = proved(bay_plan_compute(place=depot, actor=person))
            kept = again.lines.get(bank=line.bank)
            assert (kept.bay, kept.charge, kept.starts_at) == (line.bay, charge, NOW)
            assert bay_plan_publish(plan=again, actor=person).state == BayPlan.State.PUBLISHED
        assert Charge.objects.filter(ended_at__isnull=True).count() == 1


class TestCalendar:
    def test_renewed_the_old_address_ends(self, depot, person):
        first = bay_calendar_renew(place=depot, actor=person)
        second = bay_calendar_renew(place=depot, actor=person)
        assert first != second
        assert BayCalendar.objects.get().hash == calendar_hash(second)
        assert bay_calendar_end(place=depot, actor=person)
        assert not bay_calendar_end(place=depot, actor=person)
        assert not BayCalendar.objects.exists()


def test_a_job_runs_on_numbers_that_were_kept(depot, person):
    """The question read back from its row is the question that was asked."""
    plan = bay_plan_compute(place=depot, actor=person)
    plan.refresh_from_db()
    asked = bay_facts(depot, now=NOW).problem
    kept = kept_problem(plan)
    assert kept.jobs == asked.jobs
    for name in ("supply_kw", "base_kw", "open", "handling"):
        assert np.array_equal(getattr(kept, name), getattr(asked, name))
