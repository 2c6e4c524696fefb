"""The life of one import: the file is kept, read, perhaps asked about, looked at, brought in, perhaps undone.

Reading and writing run as jobs of kind `import`. A job may run twice: reading again gives the same preview, and writing
again finds the rows already written equal to the file and goes on with the rest.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

from django.core.files.base import ContentFile
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext_noop as _

from fleet.domain.intake import Conventions, settle
from fleet.lib.errors import DomainError
from fleet.lib.jobs import JobCancelled, JobContext, job_handler
from fleet.lib.sheets import Book, Limits, open_book
from fleet.models import Attachment, ImportChange, ImportRun, Job, User
from fleet.permissions import rights_of
from fleet.services.audit import audit_record, audit_unnamed
from fleet.services.changes import units_changed
from fleet.services.imports.books import fault_book
from fleet.services.imports.kinds import chunks, kind_named, kinds_in_order
from fleet.services.imports.planning import Opened, Plan, owners_of, plan_sheet, preview, recognise
from fleet.services.imports.references import Lookups
from fleet.services.imports.undoing import Undoer, require_no_obstacle
from fleet.services.imports.writing import Pacer, Writer, remember_new
from fleet.services.jobs import job_enqueue

KIND = "import"
PORTION: int | None = None  # rows a transaction; None: as many as stay short here
KEPT_FAULTS = 1000
NAMED_ROWS = 5
ROWS_A_STEP = 2000  # rows after which a long step says how far it is
State = ImportRun.State
UNDOABLE = (State.APPLIED, State.FAILED)


# --- steps a person takes --------------------------------------------------------------------------------------------


def import_create(
    *,
    name: str,
    content: bytes,
    actor: User | None,
    conventions: Mapping[str, Any] | None = None,
    now: datetime | None = None,
) -> ImportRun:
    """Keep the file and have it read. `conventions` may state `decimal_mark`, `day_order`, `file_as_of`, `sheet`.

    `file_as_of` is ISO text with its offset. Raises DomainError for a file too large, or for a moment that is none.
    """
    settled = dict(conventions or {})
    if settled.get("file_as_of"):
        settled["file_as_of"] = _moment(settled["file_as_of"], now or timezone.now())
    if len(content) > Limits().file_bytes:
        raise DomainError(
            "sheet.file_too_large",
            _("The file has {size} MB; at most {most} MB can be read."),
            size=len(content) // 1_000_000,
            most=Limits().file_bytes // 1_000_000,
        )
    with transaction.atomic():
        run = ImportRun.objects.create(
            file=_keep(name, content, actor),
            conventions=settled,
            created_by=actor,
            created_at=now or timezone.now(),
        )
        audit_record(actor=actor, action="import.create", subject=run, note=name[:400])
        _enqueue(run, "read", actor)
    return run


def _moment(text: str, now: datetime) -> str:
    """The age of a file as stated, in UTC: nothing here could be newer than a moment that has not come yet."""
    mend = _("Write for instance 2026-11-03T14:30+01:00.")
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise DomainError(
            "import.as_of", _("'{text}' is no moment. {mend}"), text=text, mend=str(mend)
        ) from None
    if moment.tzinfo is None:
        raise DomainError(
            "import.as_of_offset",
            _("'{text}' does not say in which time zone it is meant: the offset is missing. {mend}"),
            text=text,
            mend=str(mend),
        )
    if moment > now:
        raise DomainError(
            "import.as_of_future",
            _("'{text}' has not come yet, so no file can show the state of then."),
            text=text,
        )
    return moment.astimezone(UTC).isoformat()


def _keep(name: str, content: bytes, actor: User | None) -> Attachment:
    digest = hashlib.sha256(content).hexdigest()
    there = Attachment.objects.filter(sha256=digest, name=name[:200]).first()
    if there is not None and there.file.storage.exists(str(there.file.name)):
        return there
    attachment = Attachment(
        sha256=digest,
        name=name[:200] or "file",
        content_type="application/octet-stream",
        size_bytes=len(content),
        added_by=actor,
    )
    attachment.file.save(name, ContentFile(content), save=False)
    attachment.save()
    return attachment


def import_answer(*, run: ImportRun, answers: Mapping[str, str], actor: User | None) -> ImportRun:
    """Settle what was asked, for the whole file, and read it again."""
    allowed = {"decimal_mark": {".", ","}, "day_order": {"day_first", "month_first"}}
    with transaction.atomic():
        fresh = _locked(run, (State.QUESTION, State.PREVIEW, State.FAILED))
        for key, value in answers.items():
            if value not in allowed.get(key, set()):
                raise DomainError("import.answer", _("'{value}' is no answer to that question."), value=value)
        fresh.conventions = {**fresh.conventions, **answers}
        fresh.state = State.UPLOADED
        fresh.questions = []
        fresh.save(update_fields=["conventions", "state", "questions"])
        _enqueue(fresh, "read", actor)
    return fresh


def import_apply(
    *, run: ImportRun, choices: Mapping[str, Any], actor: User | None, now: datetime | None = None
) -> ImportRun:
    """Bring the previewed file in as chosen.

    `choices["sheets"]` says for each kind of sheet `all` (all rows or none), `good` (leave the faulty rows out) or
    `skip`; `choices["newer"]` lists for each kind the cells (`row:column`) that the file may overwrite although the
    value here is newer, or `*` for all.
    """
    with transaction.atomic():
        fresh = _locked(run, (State.PREVIEW,))
        fresh.choices = {**fresh.choices, **dict(choices)}
        fresh.state = State.APPLYING
        fresh.applied_by = actor
        fresh.save(update_fields=["choices", "state", "applied_by"])
        audit_record(actor=actor, action="import.apply", subject=fresh, after={"choices": dict(choices)})
        _enqueue(fresh, "apply", actor)
    return fresh


def import_undo(*, run: ImportRun, actor: User | None) -> ImportRun:
    """Take a whole import back, unless something was built on it."""
    require_no_obstacle(run)
    with transaction.atomic():
        fresh = _locked(run, UNDOABLE)
        fresh.undone_by = actor
        fresh.save(update_fields=["undone_by"])
        audit_record(actor=actor, action="import.undo", subject=fresh)
        _enqueue(fresh, "undo", actor)
    return fresh


def _locked(run: ImportRun, states: tuple[str, ...]) -> ImportRun:
    fresh = ImportRun.objects.select_for_update().get(pk=run.pk)
    if fresh.state not in states:
        raise DomainError(
            "import.state",
            _("This import is '{state}' now; look at it again."),
            state=str(fresh.get_state_display()),
        )
    return fresh


def _enqueue(run: ImportRun, step: str, actor: User | None) -> Job:
    job = job_enqueue(
        kind=KIND, params={"run": run.pk, "step": step}, unique_key=f"run-{run.pk}-{step}", requested_by=actor
    )
    field = "read_job" if step == "read" else "apply_job"
    ImportRun.objects.filter(pk=run.pk).update(**{field: job})
    return job


# --- the job ---------------------------------------------------------------------------------------------------------


def _job_ended(job: Job) -> None:
    """The job failed, was stopped, or was cut off too often: the run says so, and what was written so far stays known."""
    run = ImportRun.objects.select_for_update().filter(pk=job.params.get("run")).first()
    if run is None or run.state in (State.APPLIED, State.UNDONE):
        return
    run.error = job.error or str(_("The work was stopped."))
    run.state = State.FAILED if job.params.get("step") != "undo" else run.state
    run.save(update_fields=["error", "state"])


@job_handler(KIND, on_end=_job_ended)
def run_import(context: JobContext) -> dict[str, Any]:
    """Read, apply or undo one import."""
    run = ImportRun.objects.select_related("file", "created_by", "applied_by", "undone_by").get(
        pk=context.params["run"]
    )
    step = context.params["step"]
    if step == "read":
        return _read(run, context)
    if step == "apply":
        return _apply(run, context)
    return _undo(run, context)


@contextmanager
def opened(run: ImportRun) -> Iterator[Book]:
    """The kept file of a run."""
    stream: Any = run.file.file.storage.open(str(run.file.file.name), "rb")
    with open_book(stream, run.file.name) as book:
        yield book


def stated(run: ImportRun) -> dict[str, str] | None:
    """Which kind of sheet the person said the file is, if any."""
    named = run.conventions.get("sheet")
    return {"": named} if named else None


def load(
    run: ImportRun, book: Book, on_row: Callable[[str], None] | None = None
) -> tuple[Opened, Conventions, list[Any]]:
    """The recognised sheets of a run's file with what is settled for it, and what must be asked."""
    found = recognise(book, stated(run), on_row)
    conventions, questions = settle(
        [data for _, data in found.sheets],
        decimal_mark=run.conventions.get("decimal_mark"),
        day_order=run.conventions.get("day_order"),
        epoch=book.epoch,
    )
    return found, conventions, questions


def file_as_of(run: ImportRun, book: Book) -> datetime | None:
    """The moment whose state the file shows: as stated, else when the workbook was last saved; None: not known."""
    given = run.conventions.get("file_as_of")
    if given:
        return datetime.fromisoformat(given)
    saved = book.modified_at
    return saved if saved is not None and saved <= run.created_at else None


def _lookups(run: ImportRun, actor: User | None) -> Lookups:
    lookups = Lookups(
        now=timezone.now(), actor=actor, rights=rights_of(actor) if actor else None, run_id=run.pk
    )
    remember_new(lookups, run.pk)
    return lookups


def _read(run: ImportRun, context: JobContext) -> dict[str, Any]:
    if run.state not in (State.UPLOADED, State.READING):
        return {}
    ImportRun.objects.filter(pk=run.pk).update(state=State.READING, error="")
    begun = timezone.now()  # what is edited here while the file is read was not seen
    with opened(run) as book:
        far = HowFar(context)
        found, conventions, questions = load(run, book, far.read)
        context.fault_point("import:read")
        if not found.sheets:
            known = ", ".join(kind.spec.label for kind in kinds_in_order())
            raise DomainError(
                "import.no_sheet",
                _(
                    "No sheet of this file is recognised. Known are: {known}. Use a template, or name the kind of sheet."
                ),
                known=known,
            )
        if questions:
            _save(run, context, state=State.QUESTION, questions=[_question(each) for each in questions])
            return {"questions": len(questions)}
        lookups = _lookups(run, run.created_by)
        as_of = file_as_of(run, book)
        plans = []
        earlier: dict[tuple[str, str], str] = {}
        far.start(sum(len(data.rows) for _kind, data in found.sheets))
        for kind, data in found.sheets:
            context.check_cancelled()
            far.sheet = kind.spec.label
            plans.append(
                plan_sheet(
                    kind, data, conventions, lookups, as_of=as_of, earlier=earlier, on_row=far.half_checked
                )
            )
            far.checked(len(data.rows))
        context.fault_point("import:planned")
        faults = [fault.as_dict() for plan in plans for fault in plan.faults]
        made = preview(plans, found.unknown)
        made["as_of"] = as_of.isoformat() if as_of else None
        made["at"] = begun.isoformat()
        made["faults"] = len(faults)
        made["whose"] = owners_of(plans)
        if faults:
            name = f"faulty rows of {run.file.name}".rsplit(".", 1)[0][:190] + ".xlsx"
            book_of_faults = fault_book(
                [data for _, data in found.sheets], [fault for plan in plans for fault in plan.faults]
            )
            made["fault_file"] = _keep(name, book_of_faults, run.created_by).pk
    _save(run, context, state=State.PREVIEW, preview=made, faults=faults[:KEPT_FAULTS])
    return {"sheets": len(plans), "faults": len(faults)}


class HowFar:
    """How far the reading of a file is: said every so many rows, so that one long sheet shows progress as well."""

    def __init__(self, context: JobContext) -> None:
        self.context = context
        self.sheet = ""
        self.halves = 0
        self.before = 0
        self.total = 0

    def read(self, title: str) -> None:
        """One row came out of the file; how many there are is not known yet."""
        self.halves += 2
        if self.halves % (2 * ROWS_A_STEP) == 0:
            self.context.check_cancelled()
            rows = self.halves // 2
            note = str(_("{rows} rows read, sheet “{title}”")).format(rows=rows, title=title)
            self.context.progress(rows, 0, note)

    def start(self, total: int) -> None:
        """All rows are read and their number is known: they are checked now."""
        self.halves, self.before, self.total = 0, 0, total

    def half_checked(self) -> None:
        """A row was read cell by cell, or compared with what is here: both together make it a checked row."""
        self.halves += 1
        if self.halves % (2 * ROWS_A_STEP) == 0:
            self._say()

    def checked(self, rows: int) -> None:
        """A sheet of so many rows is done, whether or not each row of it went through both steps."""
        self.before += rows
        self.halves = 2 * self.before
        self._say()

    def _say(self) -> None:
        self.context.check_cancelled()
        self.context.progress(min(self.halves // 2, self.total), self.total, self.sheet)


def _question(question: Any) -> dict[str, Any]:
    return {
        "key": question.key,
        "reason": question.reason,
        "sentence": question.sentence,
        "choices": [list(choice) for choice in question.choices],
        "examples": [[each.sheet, each.row, each.column, each.value] for each in question.examples],
    }


def _save(run: ImportRun, context: JobContext, **fields: Any) -> None:
    with transaction.atomic():
        context.fence()
        for name, value in fields.items():
            setattr(run, name, value)
        run.save(update_fields=list(fields))


def _apply(run: ImportRun, context: JobContext) -> dict[str, Any]:
    if run.state == State.APPLIED:
        # Cut off between the last write and its announcement: announce again, listeners do no harm twice.
        units_changed(touched_units(run))
        return dict(run.preview.get("applied", {}))
    if run.state != State.APPLYING:
        return {}
    chosen: dict[str, str] = run.choices.get("sheets", {})
    seen_at = datetime.fromisoformat(run.preview["at"])
    report: list[dict[str, Any]] = []
    with opened(run) as book:
        found, conventions, questions = load(run, book)
        if questions:
            raise DomainError(
                "import.questions", _("The file must be read again: something in it is not settled.")
            )
        as_of = file_as_of(run, book)
        total = _expected(run, chosen)
        earlier: dict[tuple[str, str], str] = {}
        whose: dict[str, Any] = run.preview.get("whose", {})
        done = 0
        for kind, data in found.sheets:
            mode = chosen.get(data.ident, "all")
            if mode == "skip":
                report.append({"name": data.ident, "mode": "skip"})
                continue
            lookups = _lookups(run, run.applied_by)
            checking = Checking(context, done, total, kind.spec.label)
            plan = plan_sheet(
                kind,
                data,
                conventions,
                lookups,
                as_of=as_of,
                seen_at=seen_at,
                earlier=earlier,
                ticked=run.choices.get("newer", {}).get(data.ident, ()),
                on_row=checking,
            )
            outcome = _write_sheet(
                run, plan, mode, lookups, context, Progress(context, done, total, kind.spec.label)
            )
            done += outcome["added"] + outcome["changed"]
            report.append(outcome)
            whose = _joined(whose, owners_of([plan]))
            context.fault_point("import:sheet-written")
    with transaction.atomic():
        context.fence()
        run.state = State.APPLIED
        run.applied_at = timezone.now()
        run.preview = {**run.preview, "applied": {"sheets": report}, "whose": whose}
        run.save(update_fields=["state", "applied_at", "preview"])
        units_changed(touched_units(run))
    context.fault_point("import:applied")
    return {"sheets": report}


def _joined(one: Mapping[str, Any], other: Mapping[str, Any]) -> dict[str, Any]:
    """Whose rows two parts of an import are, together."""
    depots = {*one.get("depots", ()), *other["depots"]}
    return {"depots": sorted(depots), "pool": bool(one.get("pool", False) or other["pool"])}


class Progress:
    """How far the whole import is while one sheet is written."""

    def __init__(self, context: JobContext, before: int, total: int, note: str) -> None:
        self.context = context
        self.before = before
        self.total = total
        self.note = note

    def __call__(self, written: int) -> None:
        self.context.progress(min(self.before + written, self.total), self.total, self.note)


class Checking:
    """Before a sheet is written its rows are checked again: said every so many rows, the rows written stay as they are."""

    def __init__(self, context: JobContext, done: int, total: int, label: str) -> None:
        self.context = context
        self.done, self.total, self.label = done, total, label
        self.halves = 0

    def __call__(self) -> None:
        self.halves += 1
        if self.halves % (2 * ROWS_A_STEP) == 0:
            self.context.check_cancelled()
            note = str(_("{label}, {rows} rows checked again")).format(
                label=self.label, rows=self.halves // 2
            )
            self.context.progress(min(self.done, self.total), self.total, note)


def _expected(run: ImportRun, chosen: Mapping[str, str]) -> int:
    sheets = run.preview.get("sheets", [])
    wanted = [sheet["counts"] for sheet in sheets if chosen.get(sheet["name"], "all") != "skip"]
    return max(1, sum(counts["added"] + counts["changed"] + counts["newer"] for counts in wanted))


def _write_sheet(
    run: ImportRun,
    plan: Plan,
    mode: str,
    lookups: Lookups,
    context: JobContext,
    progress: Callable[[int], None],
) -> dict[str, Any]:
    outcome: dict[str, Any] = {"name": plan.ident, "mode": mode, "added": 0, "changed": 0, "kept": 0}
    # Rows that this import wrote before it was cut off read as 'left' when it goes on; they are its own work.
    own = set(ImportChange.objects.filter(run=run, sheet=plan.ident).values_list("row", flat=True))
    outcome["left"] = sum(row.number not in own for row in plan.of("left"))
    outcome["faulty"] = len(plan.faulty_rows)
    if late := _not_previewed(run, plan):
        outcome["reason"] = late
    if plan.faults and mode == "all":
        outcome["refused"] = True
        return outcome
    rows = _in_turn(plan)
    writer = Writer(plan.kind, plan.ident, lookups, run_id=run.pk, actor=run.applied_by, now=lookups.now)
    written = 0
    try:
        for some in Pacer(rows, PORTION):
            context.check_cancelled()
            with audit_unnamed(lookups.memory["new"]):
                writer.write(some, context.fence)
            written += len(some)
            context.fault_point("import:chunk-written")
            progress(written)
    except (DomainError, JobCancelled) as error:
        # Larger sheets are written in several transactions; all or nothing is kept by taking the first ones back.
        Undoer(run, run.applied_by, lookups.now, sheet=plan.ident).undo(
            context.fence, lambda _done, _total: None
        )
        ImportChange.objects.filter(run=run, sheet=plan.ident).delete()
        if isinstance(error, JobCancelled):
            raise
        outcome.update(refused=True, reason=error.sentence)
        return outcome
    outcome["added"], outcome["changed"] = _rows_written(run, plan)
    outcome["kept"] = plan.kept + len(writer.kept)
    return outcome


def _rows_written(run: ImportRun, plan: Plan) -> tuple[int, int]:
    """How many rows of the sheet this import added and changed so far."""
    notes = ImportChange.objects.filter(run=run, sheet=plan.ident)
    own = notes.filter(model=plan.kind.model._meta.label, action=ImportChange.Action.ADDED)
    added = own.values("row").distinct().count()
    return added, notes.values("row").distinct().count() - added


def _in_turn(plan: Plan) -> list[Any]:
    """The rows to write. What changes goes first: it may free the place, position or open record a new row takes."""
    rows = [row for row in plan.rows if row.action != "left"]
    return sorted(rows, key=lambda row: (row.action == "added", row.turn))


def _not_previewed(run: ImportRun, plan: Plan) -> str:
    """Rows that what stays as it is here stands in the way of, or what was done since: the preview did not name them."""
    known = {(fault["sheet"], fault["row"]) for fault in run.faults}
    late = [fault for fault in plan.faults if (fault.sheet, fault.row) not in known]
    said = [str(_("Row {row}: {what}")).format(row=fault.row, what=fault.message) for fault in late]
    if len(said) > NAMED_ROWS:
        more = str(_("And {count} more.")).format(count=len(said) - NAMED_ROWS)
        said = [*said[:NAMED_ROWS], more]
    return " ".join(said)


def touched_units(run: ImportRun) -> set[int]:
    """The units whose answer may change with this import."""
    by_sheet: dict[str, set[int]] = {}
    for sheet, model, pk in ImportChange.objects.filter(run=run).values_list("sheet", "model", "object_id"):
        name = sheet.partition("#")[0]
        if model == kind_named(name).model._meta.label:
            by_sheet.setdefault(name, set()).add(int(pk))
    units: set[int] = set()
    for sheet, pks in by_sheet.items():
        kind = kind_named(sheet)
        for some in chunks(sorted(pks), 500):
            units |= kind.unit_ids(some)
    return units


def _undo(run: ImportRun, context: JobContext) -> dict[str, Any]:
    if run.state not in UNDOABLE:
        return {}
    if context.attempt == 1:
        require_no_obstacle(run)
    units = touched_units(run)
    undoer = Undoer(run, run.undone_by, timezone.now())
    undoer.undo(context.fence, lambda done, total: context.progress(done, total))
    context.fault_point("import:taken-back")
    gone = {int(pk) for pk in _added_units(run)}
    with transaction.atomic():
        context.fence()
        run.state = State.UNDONE
        run.undone_at = timezone.now()
        run.preview = {**run.preview, "kept": undoer.kept[:200]}
        run.save(update_fields=["state", "undone_at", "preview"])
        units_changed(units - gone)
    return {"kept": len(undoer.kept)}


def _added_units(run: ImportRun) -> Iterator[str]:
    added = ImportChange.objects.filter(run=run, model="fleet.Unit", action=ImportChange.Action.ADDED)
    yield from added.values_list("object_id", flat=True)
