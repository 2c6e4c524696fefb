"""Takes files of battery-monitor samples: `manage.py read_samples FILE... [--bank SERIAL] [--zone Europe/Oslo]`."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import BatteryBank, User
from readiness.domain.sample_files import read_samples
from readiness.models import SamplePost
from readiness.services.samples import Taken, samples_look, samples_take

FAULTS_SHOWN = 20


class Command(BaseCommand):
    help = "Takes CSV or JSON files of battery-monitor samples; '-' reads what is piped in. Twice the same does no harm."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("files", nargs="+", metavar="FILE")
        parser.add_argument("--bank", default="", help="serial number, for rows that name no bank")
        parser.add_argument(
            "--zone", default="", help="time zone of times without an offset, such as Europe/Oslo"
        )
        parser.add_argument("--user", default="", help="login to write down as who brought them in")
        parser.add_argument("--look", action="store_true", help="only tell what would become of the rows")
        parser.add_argument("--json", action="store_true", help="answer as JSON, with every fault")

    def handle(self, *args: Any, **options: Any) -> None:
        bank = BatteryBank.objects.filter(serial__iexact=options["bank"]).first() if options["bank"] else None
        if options["bank"] and bank is None:
            raise CommandError(f"No bank bears the serial '{options['bank']}'.")
        actor = User.objects.filter(username=options["user"]).first() if options["user"] else None
        if options["user"] and actor is None:
            raise CommandError(f"There is no login '{options['user']}'.")
        answers = []
        for name in options["files"]:
            try:
                if options["zone"]:
                    find_zone(options["zone"])
                content = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
                shared: dict[str, Any] = {
                    "file": read_samples(content),
                    "rights": None,
                    "only": bank,
                    "zone": options["zone"],
                }
                if options["look"]:
                    taken = samples_look(**shared)
                else:
                    taken = samples_take(
                        how=SamplePost.How.COMMAND, actor=actor, name=Path(name).name, **shared
                    )
            except OSError as error:
                raise CommandError(f"{name}: {error.strerror}.") from error
            except DomainError as error:
                raise CommandError(f"{name}: {error.sentence}") from error
            answers.append((name, taken))
        if options["json"]:
            self.stdout.write(json.dumps([_as_json(name, taken) for name, taken in answers], indent=2))
            return
        for name, taken in answers:
            self._tell(name, taken)

    def _tell(self, name: str, taken: Taken) -> None:
        self.stdout.write(
            f"{name}: {taken.rows} rows, {taken.kept} new, {taken.known} known already, {taken.conflicts} with other values "
            f"on file, {taken.refused} refused."
        )
        if taken.ignored:
            self.stdout.write(f"Columns not read: {', '.join(taken.ignored)}.")
        for fault in taken.faults[:FAULTS_SHOWN]:
            self.stdout.write(f"  {fault.message}")
        if len(taken.faults) > FAULTS_SHOWN:
            self.stdout.write(f"  and {len(taken.faults) - FAULTS_SHOWN} more (--json tells all).")


def _as_json(name: str, taken: Taken) -> dict[str, Any]:
    counts = {key: getattr(taken, key) for key in ("rows", "kept", "known", "conflicts", "refused", "banks")}
    return {"file": name, **counts, "faults": [fault.as_dict() for fault in taken.faults]}
