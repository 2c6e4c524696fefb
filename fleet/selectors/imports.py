"""Reads for the import pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from fleet.models import ImportRun, Job, User
from fleet.permissions import Rights

State = ImportRun.State
SHOWN_FAULTS = 200


@dataclass(frozen=True)
class ImportPage:
    """One import as its page shows it."""

    run: ImportRun
    job: Job | None
    working: bool
    sheets: list[dict[str, Any]]
    faults: list[dict[str, Any]]
    fault_count: int
    result: list[dict[str, Any]]
    can_undo: bool
    can_answer: bool
    may_act: bool

    @property
    def nothing_to_do(self) -> bool:
        """Everything in the file is here already."""
        return all(
            not any(sheet["counts"][word] for word in ("added", "changed", "newer", "faulty"))
            for sheet in self.sheets
        )


def import_list() -> QuerySet[ImportRun]:
    """Imports, newest first, with their file and who brought it (no further query a row)."""
    return ImportRun.objects.select_related("file", "created_by", "applied_by", "undone_by").order_by("-pk")


def may_act_on(run: ImportRun, user: User, rights: Rights) -> bool:
    """Whether a person may answer, bring in, stop or take back: who brought the file, who may write everywhere, or who
    may write every row that it changes (not known before it was read).
    """
    allowed = rights.depots("import")
    if allowed is None:
        return True
    if not allowed:
        return False
    if run.created_by_id == user.pk:
        return True
    whose: dict[str, Any] = (run.preview or {}).get("whose") or {}
    depots = set(whose.get("depots", ()))
    return bool(depots) and not whose.get("pool", True) and depots <= allowed


def import_page(run: ImportRun, *, may_act: bool = True) -> ImportPage:
    """One import that was cut off may have written some of its sheets: then it can be taken back as well (one query)."""
    preview: dict[str, Any] = run.preview or {}
    job = run.apply_job or run.read_job
    working = run.state in (State.UPLOADED, State.READING, State.APPLYING) or (
        job is not None and job.state in (Job.State.QUEUED, Job.State.RUNNING)
    )
    labels = {sheet["name"]: sheet["label"] for sheet in preview.get("sheets", [])}
    result = [
        {**sheet, "label": labels.get(sheet["name"], sheet["name"])}
        for sheet in preview.get("applied", {}).get("sheets", [])
    ]
    return ImportPage(
        run=run,
        job=job,
        working=working,
        sheets=preview.get("sheets", []),
        faults=run.faults[:SHOWN_FAULTS],
        fault_count=preview.get("faults", len(run.faults)),
        result=result,
        may_act=may_act,
        can_undo=may_act
        and not working
        and (run.state == State.APPLIED or (run.state == State.FAILED and run.changes.exists())),
        can_answer=may_act and run.state == State.QUESTION,
    )
