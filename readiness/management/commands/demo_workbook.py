"""Writes a fleet list as people really keep one, to try the import with."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from readiness.demo.workbook import fleet_workbook


class Command(BaseCommand):
    help = "Writes a messy fleet workbook for the import; says which slips are planted in it."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("path", nargs="?", type=Path, help="where to write it (default: the data folder)")
        parser.add_argument(
            "--today", type=dt.date.fromisoformat, help="the day it is written on (YYYY-MM-DD)"
        )
        parser.add_argument("--mended", action="store_true", help="without the slips")

    def handle(self, *args: Any, **options: Any) -> None:
        path = options["path"] or Path(settings.DATA_DIR) / "messy_fleet.xlsx"
        book, slips = fleet_workbook(options["today"] or timezone.now().date(), mended=options["mended"])
        try:
            book.save(path)
        except OSError as error:
            raise CommandError(f"{path} cannot be written: {error.strerror}.") from error
        self.stdout.write(f"Written: {path}")
        if not options["mended"]:
            for slip in slips:
                self.stdout.write(f"  {slip.sheet}, row {slip.row}, {slip.column}: '{slip.typed}'")
