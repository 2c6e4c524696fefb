"""Bring in a workbook or a text file from the command line: read it, say what it would do, and do it with --apply."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils.translation import gettext as _

from fleet.lib.errors import DomainError
from fleet.models import ImportRun, Job, User
from fleet.services.imports.kinds import kinds_in_order
from fleet.services.imports.runs import import_apply, import_create
from fleet.services.jobs import job_run

POLL_S = 0.5


class Command(BaseCommand):
    help = "Reads FILE and shows what it would add, change and leave. With --apply it is brought in."

    def add_arguments(self, parser: ArgumentParser) -> None:
        names = [kind.name for kind in kinds_in_order()]
        parser.add_argument("file", type=Path, help="XLSX workbook or CSV file")
        parser.add_argument(
            "--sheet", choices=names, help="what a file with one sheet holds, when it is not recognised"
        )
        parser.add_argument("--decimal", choices=[".", ","], help="the decimal mark of the file")
        order = parser.add_mutually_exclusive_group()
        order.add_argument("--day-first", action="store_const", const="day_first", dest="day_order")
        order.add_argument("--month-first", action="store_const", const="month_first", dest="day_order")
        parser.add_argument("--as-of", help="the moment whose state the file shows, ISO with offset")
        parser.add_argument("--apply", action="store_true", help="bring it in")
        parser.add_argument(
            "--good-rows", action="store_true", help="leave rows with faults out instead of their whole sheet"
        )
        parser.add_argument("--user", help="in whose name; that person's rights then count")
        parser.add_argument(
            "--timeout", type=int, default=3600, help="seconds to wait for a worker that has the job"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        actor = self._actor(options["user"])
        run = self._read(options, actor)
        self._show(run)
        if run.state == ImportRun.State.QUESTION:
            for question in run.questions:
                self.stdout.write(question["sentence"])
                for sheet, row, column, value in question["examples"]:
                    self.stdout.write(f"  '{value}' in {sheet}, row {row}, {column}")
            raise CommandError(
                _("Say it with --decimal, --day-first or --month-first and run the command again.")
            )
        if not options["apply"]:
            self.stdout.write(_("Nothing was written. Add --apply to bring it in."))
            return
        mode = "good" if options["good_rows"] else "all"
        choices = {"sheets": {sheet["name"]: mode for sheet in run.preview["sheets"]}}
        run = self._finish(
            import_apply(run=run, choices=choices, actor=actor), "apply_job", options["timeout"]
        )
        refused = False
        for sheet in run.preview.get("applied", {}).get("sheets", []):
            refused = refused or bool(sheet.get("refused"))
            words = (
                _("nothing was written")
                if sheet.get("refused")
                else _("added %(added)s, changed %(changed)s") % sheet
            )
            reason = f": {sheet['reason']}" if sheet.get("reason") else ""
            self.stdout.write(f"{sheet['name']}: {words}{reason}")
        if refused:
            raise CommandError(
                _("Some sheets have faults and were left out whole; see above, or use --good-rows.")
            )

    def _actor(self, username: str | None) -> User | None:
        if not username:
            return None
        try:
            return User.objects.get(username=username)
        except User.DoesNotExist:
            raise CommandError(_("There is no user '%(name)s'.") % {"name": username}) from None

    def _read(self, options: dict[str, Any], actor: User | None) -> ImportRun:
        path: Path = options["file"]
        if not path.is_file():
            raise CommandError(_("There is no file %(path)s.") % {"path": path})
        stated = {
            "sheet": options["sheet"],
            "decimal_mark": options["decimal"],
            "day_order": options["day_order"],
            "file_as_of": options["as_of"],
        }
        conventions = {name: value for name, value in stated.items() if value}
        try:
            run = import_create(
                name=path.name, content=path.read_bytes(), actor=actor, conventions=conventions
            )
        except DomainError as error:
            raise CommandError(error.sentence) from None
        return self._finish(run, "read_job", options["timeout"])

    def _finish(self, run: ImportRun, field: str, timeout_s: int) -> ImportRun:
        """Do the job here, or wait for the worker that was quicker."""
        run.refresh_from_db()
        job_id = getattr(run, f"{field}_id")
        job_run(job_id=job_id)
        deadline = time.monotonic() + timeout_s
        while Job.objects.filter(pk=job_id, state__in=[Job.State.QUEUED, Job.State.RUNNING]).exists():
            if time.monotonic() > deadline:
                raise CommandError(_("The work is not done yet; look at the import page."))
            time.sleep(POLL_S)
            job_run(job_id=job_id)
        run.refresh_from_db()
        if run.state == ImportRun.State.FAILED:
            raise CommandError(run.error)
        return run

    def _show(self, run: ImportRun) -> None:
        for sheet in run.preview.get("sheets", []):
            counts = sheet["counts"]
            line = _(
                "%(added)s added, %(changed)s changed, %(left)s left, %(newer)s newer here, %(faulty)s with faults"
            )
            self.stdout.write(f"{sheet['label']} ({sheet['title']}): {line % counts}")
        for fault in run.faults:
            where = f"{fault['sheet']}, row {fault['row']}, {fault['column']}"
            self.stdout.write(f"  {where}: '{fault['value']}' {fault['message']} {fault['mend']}")
        for title in run.preview.get("unknown", []):
            self.stdout.write(_("Not recognised, so not read: %(title)s") % {"title": title})
