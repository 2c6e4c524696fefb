"""Brings in the rows that come from published sources and may then be adapted on the site."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from fleet.lib.errors import DomainError
from fleet.lib.tables import read_table_file
from readiness.services.reference import inspection_types_seed


class Command(BaseCommand):
    help = "Adds or updates the reference rows (inspection types) by their code. Rows adapted on the site are kept."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--folder", type=Path, default=settings.BASE_DIR / "fixtures" / "reference")
        parser.add_argument("--overwrite", action="store_true", help="also put back rows adapted on the site")

    def handle(self, *args: Any, folder: Path, overwrite: bool, **options: Any) -> None:
        try:
            rows = read_table_file(folder / "readiness" / "inspection_types.csv")
            seeded = inspection_types_seed(rows=rows, overwrite=overwrite)
        except DomainError as error:
            raise CommandError(error.sentence) from error
        self.stdout.write(
            f"Inspection types: {len(seeded.added)} added, {len(seeded.updated)} updated, "
            f"{len(seeded.unchanged)} unchanged."
        )
        if seeded.kept:
            self.stdout.write(f"Kept as adapted on this site: {', '.join(seeded.kept)}.")
