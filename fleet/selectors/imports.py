"""Reads for the import pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from fleet.models import ImportRun, Job

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


def import_page(run: ImportRun) -> ImportPage:
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
        can_undo=not working
        and (run.state == State.APPLIED or (run.state == State.FAILED and run.changes.exists())),
        can_answer=run.state == State.QUESTION,
    )
