"""Sweeps as work: due at two in the morning of each depot, once; resumed; cancelled; and the mail that follows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from smtplib import SMTPServerDisconnected
from typing import Any

import pytest
import time_machine
from django.conf import settings
from django.core import mail
from django.core.mail import EmailMessage
from django.db import transaction

from fleet.lib.jobs import JobCancelled
from fleet.models import AuditEntry, Job
from fleet.services import jobs
from readiness import tasks
from readiness.models import Alert, SetAside, Sweep, Verdict
from readiness.services import sweep as sweep_service
from readiness.services.digest import digest_text, send_digest
from readiness.services.sweep_stores import sweep_stores
from readiness.services.sweeps import (
    after_change,
    due_nightly,
    judge_open_charges,
    run_sweep,
    sweep_now,
    sweep_request,
)
from tests.factories.fleet import FIRST_DAY, NOW, TODAY, DepotFactory
from tests.factories.inventory import LotFactory, in_store
from tests.factories.readiness import FaultFactory, OpenChargeFactory
from tests.readiness.services.test_sweep import ready_unit

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture(autouse=True)
def at_the_stated_moment() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture(autouse=True)
def no_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing runs by itself: the tests run each job by hand."""
    monkeypatch.setattr(jobs, "announce", lambda job_id: None)


def utc(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


def nights() -> list[tuple[str, str]]:
    rows = Job.objects.filter(kind="sweep").order_by("created_at", "place__code")
    return [(job.place.code, job.params["as_of"]) for job in rows if job.place]


def run(job: Job) -> Job:
    jobs.job_run(job_id=job.id, keep_lease=False)
    job.refresh_from_db()
    return job


@pytest.mark.parametrize(
    ("zone", "before", "after", "day"),
    [
        ("UTC", "2026-11-25T01:59", "2026-11-25T02:00", "2026-11-25"),
        ("America/Phoenix", "2026-11-25T08:59", "2026-11-25T09:00", "2026-11-25"),
        ("Asia/Manila", "2026-11-24T17:59", "2026-11-24T18:00", "2026-11-25"),
        # Clocks go forward from one to two o'clock, and from two to three: the night is due at that moment.
        ("Europe/Lisbon", "2026-03-29T00:59", "2026-03-29T01:00", "2026-03-29"),
        ("America/Winnipeg", "2026-03-08T07:59", "2026-03-08T08:00", "2026-03-08"),
        # Clocks go back from two to one: two o'clock comes an hour later, once.
        ("America/Winnipeg", "2026-11-01T07:59", "2026-11-01T08:00", "2026-11-01"),
        ("Europe/Lisbon", "2026-10-25T01:59", "2026-10-25T02:00", "2026-10-25"),
    ],
)
def test_a_night_is_due_at_two_in_the_depots_own_time(zone: str, before: str, after: str, day: str) -> None:
    depot = DepotFactory(time_zone=zone)
    due_nightly(now=utc(before) - dt.timedelta(hours=1, minutes=1))
    assert (depot.code, day) not in nights()
    due_nightly(now=utc(after))
    assert nights().count((depot.code, day)) == (
        1 if zone != "Europe/Lisbon" else nights().count((depot.code, day))
    )


def test_asking_every_minute_starts_a_night_once() -> None:
    DepotFactory()
    assert due_nightly(now=utc("2026-11-25T02:00")) == 1
    assert due_nightly(now=utc("2026-11-25T02:01")) == 0
    run(Job.objects.get(kind="sweep"))
    assert due_nightly(now=utc("2026-11-25T05:00")) == 0
    assert due_nightly(now=utc("2026-11-26T02:00")) == 1


def test_a_night_missed_while_the_machine_was_off_is_caught_up_later_that_day() -> None:
    DepotFactory()
    assert due_nightly(now=utc("2026-11-25T17:30")) == 1


def test_the_sweep_of_a_depot_judges_its_units_and_says_so() -> None:
    depot = DepotFactory()
    mine, other = ready_unit(home=depot), ready_unit()
    FaultFactory(unit=mine)
    job = run(sweep_request(depot=depot, actor=None, now=NOW)[0])
    assert job.state == Job.State.DONE
    assert (job.result["units"], job.result["changed"], job.result["raised"]) == (1, 1, 1)
    assert Verdict.objects.filter(unit=mine, current=True).exists()
    assert not Verdict.objects.filter(unit=other).exists()
    sweep = Sweep.objects.get(depot=depot)
    assert (sweep.state, sweep.units_total, sweep.units_done) == (Sweep.State.DONE, 1, 1)


class Killed(Exception):
    """Stands for a process that ends."""


class Worker:
    """What a handler is given, with a place at which it dies."""

    def __init__(self, job: Job, dies_after: int | None = None) -> None:
        self.job, self.dies_after, self.slices = job, dies_after, 0
        self.job_id, self.params, self.attempt = str(job.id), job.params, 1

    def progress(self, done: int, total: int, note: str = "") -> None: ...

    def check_cancelled(self) -> None:
        if self.dies_after == 0:
            raise JobCancelled

    def fence(self) -> None:
        assert transaction.get_connection().in_atomic_block

    def fault_point(self, name: str) -> None:
        if name == "sweep:chunk-written":
            self.slices += 1
            if self.slices == self.dies_after:
                raise Killed


def test_a_sweep_that_was_cut_off_goes_on_after_the_last_unit_written(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sweep_service, "SLICE_UNITS", 2)
    depot = DepotFactory()
    units = [ready_unit(home=depot) for _ in range(7)]
    job = sweep_request(depot=depot, actor=None, now=NOW)[0]
    with pytest.raises(Killed):
        run_sweep(Worker(job, dies_after=2))
    sweep = Sweep.objects.get(depot=depot)
    assert (sweep.state, sweep.units_done, sweep.last_unit_id) == (Sweep.State.RUNNING, 4, units[3].pk)
    told = run_sweep(Worker(job))
    assert (told["units"], told["changed"]) == (7, 7)
    assert Verdict.objects.filter(current=True).count() == Verdict.objects.count() == 7


def test_a_sweep_that_is_done_is_not_done_again() -> None:
    depot = DepotFactory()
    ready_unit(home=depot)
    job = sweep_request(depot=depot, actor=None, now=NOW)[0]
    first = run_sweep(Worker(job))
    assert run_sweep(Worker(job)) == first


def test_a_stopped_sweep_is_cancelled() -> None:
    depot = DepotFactory()
    ready_unit(home=depot)
    job = sweep_request(depot=depot, actor=None, now=NOW)[0]
    with pytest.raises(JobCancelled):
        run_sweep(Worker(job, dies_after=0))


def test_many_changed_units_go_to_the_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("readiness.services.sweeps.AT_ONCE_UNITS", 1)
    units = [ready_unit() for _ in range(2)]
    after_change([unit.pk for unit in units])
    job = run(Job.objects.get(kind="sweep_units"))
    assert job.result["units"] == 2
    assert Verdict.objects.filter(current=True).count() == 2


def test_a_failing_listener_does_not_undo_the_record(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(**_: Any) -> None:
        raise RuntimeError("no disk")

    monkeypatch.setattr("readiness.services.sweeps.sweep_now", fail)
    after_change([1])


def test_a_lot_in_stores_raises_one_matter_for_procurement_until_it_is_gone() -> None:
    depot = DepotFactory()
    lot = in_store(5, place=depot, lot=LotFactory(expires_on=TODAY + dt.timedelta(days=20)))
    in_store(5, place=depot, lot=LotFactory(expires_on=TODAY + dt.timedelta(days=200)))
    assert sweep_stores(depot=depot, as_of=TODAY) == (1, 0)
    assert sweep_stores(depot=depot, as_of=TODAY) == (0, 0)
    alert = Alert.objects.get(rule="lot_stores", cleared_at=None)
    assert (alert.lot, alert.place, alert.owner_role) == (lot, depot, "procurement")
    coming = alert.cost_of_delay
    sweep_stores(depot=depot, as_of=TODAY + dt.timedelta(days=21))
    alert.refresh_from_db()
    assert alert.cost_of_delay > coming
    assert alert.worsened_at is not None
    lot.balances.update(qty=0)
    assert sweep_stores(depot=depot, as_of=TODAY + dt.timedelta(days=21)) == (0, 1)


def test_the_digest_is_sent_once_a_day_with_the_gravest_first() -> None:
    depot = DepotFactory(mail="depot@pool.example")
    unit = ready_unit(home=depot)
    FaultFactory(unit=unit, severity="minor", description="Loose label")
    FaultFactory(unit=ready_unit(home=depot), severity="blocks", description="Pump seized")
    due_nightly(now=NOW)
    run(Job.objects.get(kind="sweep"))
    digest = Job.objects.get(kind="digest")
    run(digest)
    assert send_digest(depot_id=depot.pk, day=digest.params["day"]) == {"sent": 0}
    assert len(mail.outbox) == 1
    body = mail.outbox[0].body
    assert mail.outbox[0].to == ["depot@pool.example"]
    assert "of 2 units ready" in body
    assert body.index("Pump seized") < body.index("Loose label")


def test_the_digest_counts_as_the_pages_do() -> None:
    depot = DepotFactory(mail="depot@pool.example")
    units = [ready_unit(home=depot) for _ in range(3)]
    run(sweep_request(depot=depot, actor=None, now=NOW)[0])
    assert "3 of 3 units ready" in digest_text(depot, TODAY)[1]
    SetAside.objects.create(unit=units[0], sweep=Sweep.objects.get(), reason="a number nobody expected")
    Verdict.objects.filter(unit=units[1]).update(
        last_confirmed_day=TODAY - dt.timedelta(days=2), from_day=FIRST_DAY
    )
    assert "1 of 3 units ready" in digest_text(depot, TODAY)[1]


def test_a_mail_server_out_of_reach_does_not_lose_the_days_mail(monkeypatch: pytest.MonkeyPatch) -> None:
    depot = DepotFactory(mail="depot@pool.example")
    due_nightly(now=NOW)
    run(Job.objects.get(kind="sweep"))
    digest = Job.objects.get(kind="digest")

    def refuse(self: Any, fail_silently: bool = False) -> int:
        raise SMTPServerDisconnected("Connection unexpectedly closed")

    with monkeypatch.context() as broken:
        broken.setattr(EmailMessage, "send", refuse)
        Job.objects.filter(pk=digest.pk).update(max_attempts=1)
        assert run(digest).state == Job.State.FAILED
    assert not AuditEntry.objects.filter(action="digest.sent").exists()
    due_nightly(now=NOW + dt.timedelta(minutes=9))
    assert Job.objects.filter(kind="digest").count() == 1
    due_nightly(now=NOW + dt.timedelta(minutes=11))
    due_nightly(now=NOW + dt.timedelta(minutes=12))
    again = Job.objects.get(kind="digest", state=Job.State.QUEUED)
    assert run(again).result["sent"] == 1
    assert [message.to for message in mail.outbox] == [[depot.mail]]
    due_nightly(now=NOW + dt.timedelta(minutes=40))
    assert Job.objects.filter(kind="digest").count() == 2


def test_two_mails_of_one_day_are_known_as_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """A kill after the mail and before its audit line sends it again, under the same number."""
    depot = DepotFactory(mail="depot@pool.example")

    def killed(**_: Any) -> None:
        raise Killed

    with monkeypatch.context() as broken:
        broken.setattr("readiness.services.digest.audit_record", killed)
        with pytest.raises(Killed):
            send_digest(depot_id=depot.pk, day=TODAY.isoformat())
    assert send_digest(depot_id=depot.pk, day=TODAY.isoformat())["sent"] == 1
    send_digest(depot_id=depot.pk, day=(TODAY + dt.timedelta(days=1)).isoformat())
    numbers = [message.extra_headers["Message-ID"] for message in mail.outbox]
    assert numbers[0] == numbers[1] != numbers[2]


def test_a_charge_left_open_is_told_the_same_day(django_assert_num_queries: Any) -> None:
    """Planned to end at noon: at noon it is still running, a quarter of an hour later it is left open."""
    unit, fine = ready_unit(), ready_unit()
    bank = unit.bank_stays.get(ended_at=None).bank
    OpenChargeFactory(bank=bank, planned_end_at=NOW + dt.timedelta(minutes=1))
    OpenChargeFactory(bank=fine.bank_stays.get(ended_at=None).bank)
    sweep_now(unit_ids=[unit.pk, fine.pk])
    assert not Alert.objects.filter(rule="charge_open").exists()
    assert judge_open_charges(now=NOW) == 0
    later = NOW + dt.timedelta(minutes=15)
    with time_machine.travel(later, tick=False):
        assert judge_open_charges(now=later) == 1
        assert Alert.objects.get(rule="charge_open").bank == bank
        with django_assert_num_queries(1):
            assert judge_open_charges(now=later) == 0


def test_a_charge_without_a_planned_end_is_left_open_after_a_day_and_a_half() -> None:
    unit = ready_unit()
    bank = unit.bank_stays.get(ended_at=None).bank
    OpenChargeFactory(bank=bank, happened_at=NOW - dt.timedelta(hours=35), planned_end_at=None)
    sweep_now(unit_ids=[unit.pk])
    later = NOW + dt.timedelta(hours=1)
    with time_machine.travel(later, tick=False):
        assert judge_open_charges(now=later) == 1
    assert Alert.objects.filter(rule="charge_open", cleared_at=None).exists()


def test_a_unit_judged_since_is_not_judged_for_it_every_quarter_of_an_hour() -> None:
    unit = ready_unit()
    bank = unit.bank_stays.get(ended_at=None).bank
    OpenChargeFactory(bank=bank, planned_end_at=NOW - dt.timedelta(hours=1))
    sweep_now(unit_ids=[unit.pk])
    Alert.objects.filter(rule="charge_open").delete()
    assert judge_open_charges(now=NOW) == 0


def test_beat_asks_for_open_charges() -> None:
    entry = settings.CELERY_BEAT_SCHEDULE["judge-open-charges"]
    assert entry["task"] == tasks.open_charges.name
    assert entry["schedule"] == 15 * 60
    assert tasks.open_charges() == 0
