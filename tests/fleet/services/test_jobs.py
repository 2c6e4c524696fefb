"""Jobs: claimed once, fenced, tried again, cancelled, given up. Time is passed in or moved by rewriting the lease."""

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import pytest
from django.db import transaction
from django.utils import timezone
from kombu.exceptions import OperationalError

from fleet.lib.errors import DomainError
from fleet.lib.jobs import JobCancelled, JobContext, JobLost, job_handler, unregister
from fleet.models import AuditEntry, Job, User
from fleet.selectors.jobs import job_list, job_status, open_job
from fleet.services import jobs

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

Handler = Callable[[JobContext], Mapping[str, Any] | None]
ENDED: list[str] = []


@pytest.fixture
def handle() -> Iterator[Callable[[Handler], None]]:
    """Registers the handler of kind 'trial' for one test."""
    ENDED.clear()

    def register(function: Handler) -> None:
        job_handler("trial", on_end=lambda job: ENDED.append(job.state))(function)

    yield register
    unregister("trial")


@pytest.fixture
def announced(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    sent: list[str] = []

    def note(job_id: Any) -> None:
        Job.objects.filter(id=job_id).update(enqueued_at=timezone.now())
        sent.append(str(job_id))

    monkeypatch.setattr(jobs, "announce", note)
    return sent


def run(job: Job) -> Job | None:
    return jobs.job_run(job_id=job.id, keep_lease=False)


def lose(job: Job) -> None:
    """The worker died a while ago."""
    Job.objects.filter(id=job.id).update(lease_until=timezone.now() - dt.timedelta(seconds=1))


def test_a_job_runs_and_keeps_its_result(handle: Callable[[Handler], None]) -> None:
    handle(lambda ctx: {"sum": sum(ctx.params["numbers"]), "attempt": ctx.attempt})
    job = run(jobs.job_enqueue(kind="trial", params={"numbers": [1, 2, 4]}))
    assert job is not None
    assert (job.state, job.result) == (Job.State.DONE, {"sum": 7, "attempt": 1})
    assert job.lease_until is None
    assert job.finished_at is not None
    assert run(job) is None, "a job that has ended is not run again"
    assert ENDED == [], "on_end is for failed and cancelled jobs"


def test_a_job_is_announced_only_after_commit(
    announced: list[str], django_capture_on_commit_callbacks: Any
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        job = jobs.job_enqueue(kind="trial")
        assert announced == []
    assert announced == [str(job.id)]


def test_one_open_job_per_key_and_a_new_one_after_its_end(handle: Callable[[Handler], None]) -> None:
    handle(lambda ctx: None)
    first = jobs.job_enqueue(kind="trial", unique_key="depot 1")
    assert jobs.job_enqueue(kind="trial", unique_key="depot 1").id == first.id
    assert jobs.job_enqueue(kind="trial", unique_key="depot 2").id != first.id
    assert open_job(kind="trial", unique_key="depot 1") == first
    run(first)
    assert jobs.job_enqueue(kind="trial", unique_key="depot 1").id != first.id


def test_only_one_claim_wins_until_the_lease_runs_out() -> None:
    job = jobs.job_enqueue(kind="trial")
    first = jobs.job_claim(job_id=job.id)
    assert first is not None
    assert first.attempt == 1
    assert jobs.job_claim(job_id=job.id) is None
    assert first.lease_until is not None
    second = jobs.job_claim(job_id=job.id, now=first.lease_until + dt.timedelta(seconds=1))
    assert second is not None
    assert second.attempt == 2
    assert second.worker != first.worker


def test_a_job_waits_for_its_time() -> None:
    later = timezone.now() + dt.timedelta(hours=1)
    job = jobs.job_enqueue(kind="trial", not_before=later)
    assert jobs.job_claim(job_id=job.id) is None
    assert jobs.job_claim(job_id=job.id, now=later) is not None


def test_who_lost_the_job_writes_nothing_more(handle: Callable[[Handler], None]) -> None:
    seen: list[str] = []

    def slow(ctx: JobContext) -> None:
        lose(ctx.job)
        taken = jobs.job_claim(job_id=ctx.job_id)
        assert taken is not None
        for step in (ctx.check_cancelled, ctx.fence, lambda: ctx.progress(1, 1)):
            with pytest.raises(JobLost), transaction.atomic():
                step()
            seen.append("refused")
        raise JobLost

    handle(slow)
    job = run(jobs.job_enqueue(kind="trial"))
    assert seen == ["refused"] * 3
    assert job is not None
    assert (job.state, job.attempt) == (Job.State.RUNNING, 2), "the row belongs to the second worker"


def test_finishing_late_does_not_overwrite_the_other_worker(handle: Callable[[Handler], None]) -> None:
    def slow(ctx: JobContext) -> dict[str, Any]:
        if ctx.attempt == 1:
            lose(ctx.job)
            jobs.job_run(job_id=ctx.job_id, keep_lease=False)
        return {"by": ctx.attempt}

    handle(slow)
    job = run(jobs.job_enqueue(kind="trial"))
    assert job is not None
    assert (job.state, job.result) == (Job.State.DONE, {"by": 2})


@pytest.mark.django_db(transaction=True)
def test_fence_outside_a_transaction_is_a_mistake() -> None:
    job = jobs.job_enqueue(kind="trial", not_before=timezone.now())
    claimed = jobs.job_claim(job_id=job.id)
    assert claimed is not None
    with pytest.raises(RuntimeError, match="inside atomic"):
        jobs.RunningJob(claimed).fence()
    with transaction.atomic():
        jobs.RunningJob(claimed).fence()


def test_a_persons_mistake_is_said_and_not_tried_again(handle: Callable[[Handler], None]) -> None:
    def refuse(ctx: JobContext) -> None:
        raise DomainError("file.empty", "The file {name} has no rows.", name="fleet.xlsx")

    handle(refuse)
    job = run(jobs.job_enqueue(kind="trial"))
    assert job is not None
    assert (job.state, job.error) == (Job.State.FAILED, "The file fleet.xlsx has no rows.")
    assert ENDED == ["failed"]


def test_an_unexpected_error_is_tried_again_and_then_given_up(handle: Callable[[Handler], None]) -> None:
    def burst(ctx: JobContext) -> None:
        raise ValueError("pipe")

    handle(burst)
    job = jobs.job_enqueue(kind="trial", max_attempts=2)
    first = run(job)
    assert first is not None
    assert first.state == Job.State.QUEUED
    assert first.not_before is not None
    assert first.not_before > timezone.now() - dt.timedelta(seconds=1)
    assert ENDED == []
    Job.objects.filter(id=job.id).update(not_before=None)
    second = run(job)
    assert second is not None
    assert (second.state, second.error) == (Job.State.FAILED, "ValueError: pipe")
    assert ENDED == ["failed"]


def test_a_kind_nobody_handles_fails_with_a_sentence() -> None:
    job = run(jobs.job_enqueue(kind="no such kind"))
    assert job is not None
    assert job.state == Job.State.FAILED
    assert "No handler is registered for jobs of kind 'no such kind'" in job.error


def test_cancelling_a_waiting_job_ends_it_at_once(handle: Callable[[Handler], None]) -> None:
    handle(lambda ctx: pytest.fail("ran"))
    person = User.objects.create_user("mara")
    job = jobs.job_enqueue(kind="trial")
    assert jobs.job_cancel(job=job, actor=person)
    job.refresh_from_db()
    assert job.state == Job.State.CANCELLED
    assert run(job) is None
    assert ENDED == ["cancelled"]
    assert not jobs.job_cancel(job=job, actor=person), "it had ended already"
    assert AuditEntry.objects.get(action="job.cancel").actor == person


def test_cancelling_a_running_job_ends_it_at_its_next_check(handle: Callable[[Handler], None]) -> None:
    steps: list[int] = []

    def long(ctx: JobContext) -> None:
        for step in range(5):
            ctx.check_cancelled()
            steps.append(step)
            if step == 1:
                jobs.job_cancel(job=ctx.job, actor=None)
                assert job_status(Job.objects.get(id=ctx.job_id)).stop_asked

    handle(long)
    job = run(jobs.job_enqueue(kind="trial"))
    assert job is not None
    assert (job.state, steps) == (Job.State.CANCELLED, [0, 1])
    assert ENDED == ["cancelled"]


def test_a_lost_job_that_was_to_be_cancelled_is_not_done_again(handle: Callable[[Handler], None]) -> None:
    handle(lambda ctx: pytest.fail("ran"))
    job = jobs.job_enqueue(kind="trial")
    jobs.job_claim(job_id=job.id)
    jobs.job_cancel(job=job, actor=None)
    lose(job)
    ended = run(job)
    assert ended is not None
    assert ended.state == Job.State.CANCELLED


def test_progress_is_on_the_row_and_renews_the_lease(handle: Callable[[Handler], None]) -> None:
    seen: list[tuple[int | None, str]] = []

    def work(ctx: JobContext) -> None:
        Job.objects.filter(id=ctx.job_id).update(lease_until=timezone.now())
        ctx.progress(3, 12, "Cold Harbour")
        ctx.progress(4, 12, "not written: too soon after the last")
        status = job_status(Job.objects.get(id=ctx.job_id))
        seen.append((status.percent, status.note))
        assert Job.objects.filter(id=ctx.job_id, lease_until__gt=timezone.now()).exists()
        ctx.progress(12, 12, "the last one is written")
        seen.append((job_status(Job.objects.get(id=ctx.job_id)).percent, ""))

    handle(work)
    run(jobs.job_enqueue(kind="trial"))
    assert seen == [(25, "Cold Harbour"), (100, "")]


def test_waiting_and_lost_jobs_are_announced_again(announced: list[str]) -> None:
    now = timezone.now()
    forgotten = jobs.job_enqueue(kind="trial")
    just_sent = jobs.job_enqueue(kind="trial")
    Job.objects.filter(id=just_sent.id).update(enqueued_at=now)
    not_yet = jobs.job_enqueue(kind="trial", not_before=now + dt.timedelta(minutes=5))
    lost = jobs.job_enqueue(kind="trial")
    jobs.job_claim(job_id=lost.id, now=now - dt.timedelta(hours=1))
    working = jobs.job_enqueue(kind="trial")
    jobs.job_claim(job_id=working.id)
    assert jobs.job_requeue_waiting(now=now) == 2
    assert set(announced) == {str(forgotten.id), str(lost.id)}
    announced.clear()
    later = now + dt.timedelta(minutes=5)
    Job.objects.filter(id=working.id).update(lease_until=later + dt.timedelta(minutes=1))
    jobs.job_requeue_waiting(now=later)
    assert str(not_yet.id) in announced
    assert str(just_sent.id) in announced
    assert str(working.id) not in announced


def test_a_job_cut_off_too_often_is_given_up(handle: Callable[[Handler], None]) -> None:
    handle(lambda ctx: None)
    job = jobs.job_enqueue(kind="trial", max_attempts=2)
    for _attempt in range(2):
        assert jobs.job_claim(job_id=job.id) is not None
        lose(job)
    assert jobs.job_claim(job_id=job.id) is None
    jobs.job_requeue_waiting()
    job.refresh_from_db()
    assert job.state == Job.State.FAILED
    assert job.error == "The work was cut off 2 times and is not tried again."
    assert ENDED == ["failed"]


@pytest.mark.parametrize("error", [OperationalError, ConnectionRefusedError])
def test_a_broker_out_of_reach_loses_nothing(error: type[Exception], monkeypatch: Any) -> None:
    class Deaf:
        def apply_async(self, **_: Any) -> None:
            raise error

    monkeypatch.setitem(jobs.current_app.tasks, "fleet.run_job", Deaf())
    job = jobs.job_enqueue(kind="trial")
    jobs.announce(job.id)
    assert jobs.job_requeue_waiting(now=timezone.now() + dt.timedelta(minutes=1)) == 1


def test_the_list_costs_the_same_for_many_jobs(django_assert_num_queries: Any) -> None:
    person = User.objects.create_user("mara")
    for _number in range(3):
        jobs.job_enqueue(kind="trial", requested_by=person)
    for size in (1, 3):
        with django_assert_num_queries(1):
            assert [str(job.requested_by) for job in job_list(kind="trial")[:size]] == ["mara"] * size


def test_two_handlers_for_one_kind_are_refused(handle: Callable[[Handler], None]) -> None:
    handle(lambda ctx: None)

    def other(ctx: JobContext) -> None:
        raise JobCancelled

    with pytest.raises(ValueError, match="already has the handler"):
        job_handler("trial")(other)
