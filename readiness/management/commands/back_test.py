"""Replays the past: how often a reading fell into the band predicted for it 30, 60 and 90 days before."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from fleet.models import Place
from readiness.services.back_test import back_test_run
from readiness.web.back_test import back_test_words


class Command(BaseCommand):
    help = (
        "Replays the records: how often a measured value fell into the 80 % band that had been predicted for it 30, 60 and "
        "90 days before, with and without learning. Nothing is written."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--depot", help="code of one depot; without it all of them together")
        parser.add_argument(
            "--as-of", type=dt.date.fromisoformat, help="YYYY-MM-DD, records up to then; today if left out"
        )
        parser.add_argument("--json", action="store_true", help="the figures as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        depot = None
        if options["depot"]:
            depot = Place.objects.filter(kind=Place.Kind.DEPOT, code__iexact=options["depot"]).first()
            if depot is None:
                raise CommandError(f"There is no depot with the code '{options['depot']}'.")
        result = back_test_run(depot=depot, as_of=options["as_of"] or timezone.now().date())
        if options["json"]:
            self.stdout.write(json.dumps(result, indent=1))
            return
        told = back_test_words(result)
        self.stdout.write(
            f"{result['banks']} banks, {result['readings']} readings as of {result['as_of']}. {told.said}"
        )
        for line in told.lines:
            self.stdout.write(
                f"{line.name}, {line.days} days ahead, {line.count} readings: inside {line.inside} "
                f"(without learning {line.plain_inside}), band {line.width} ({line.plain_width}), "
                f"miss {line.miss} ({line.plain_miss}) points"
            )
