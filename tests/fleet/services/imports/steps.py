"""The steps of an import as the tests take them: every job is run here and now, on the test's own connection."""

import datetime as dt
import io

from openpyxl import Workbook

from fleet.models import ImportRun
from fleet.services.imports.runs import import_answer, import_apply, import_create, import_undo
from fleet.services.jobs import job_run
from tests.data.messy_workbook import saved_at

FAR_AHEAD = dt.datetime(2100, 1, 1, tzinfo=dt.UTC)


def run_job(run: ImportRun, field: str) -> ImportRun:
    run.refresh_from_db()
    job_run(job_id=getattr(run, f"{field}_id"), keep_lease=False)
    run.refresh_from_db()
    return run


def read(content: bytes, *, name: str = "fleet.xlsx", actor=None, **conventions) -> ImportRun:
    return run_job(
        import_create(name=name, content=content, actor=actor, conventions=conventions), "read_job"
    )


def answer(run: ImportRun, **answers) -> ImportRun:
    return run_job(import_answer(run=run, answers=answers, actor=None), "read_job")


def bring_in(run: ImportRun, *, actor=None, **choices) -> ImportRun:
    return run_job(import_apply(run=run, choices=choices, actor=actor), "apply_job")


def take_back(run: ImportRun) -> ImportRun:
    return run_job(import_undo(run=run, actor=None), "apply_job")


def read_and_bring_in(content: bytes, **kwargs) -> ImportRun:
    run = read(content, **kwargs)
    assert run.state == ImportRun.State.PREVIEW, (run.state, run.error, run.questions)
    assert run.faults == [], run.faults
    return bring_in(run)


def workbook(modified=None, **sheets) -> bytes:
    """A workbook of sheets given as lists of rows, header first; `_` in a name stands for a space.

    Without `modified` it is one whose age is not known.
    """
    book = Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        tab = book.create_sheet(title.replace("_", " "))
        for row in rows:
            tab.append(row)
    out = io.BytesIO()
    book.save(out)
    return saved_at(out.getvalue(), modified or FAR_AHEAD)


def counts(run: ImportRun) -> dict[str, tuple[int, int, int, int]]:
    """For each kind of sheet: added, changed, left, newer here."""
    return {
        sheet["name"]: tuple(sheet["counts"][word] for word in ("added", "changed", "left", "newer"))
        for sheet in run.preview["sheets"]
    }


def applied(run: ImportRun) -> dict[str, dict]:
    return {sheet["name"]: sheet for sheet in run.preview["applied"]["sheets"]}
