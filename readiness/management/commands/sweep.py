"""Judges the units of one depot or of all, here and now, and says what came out."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from fleet.models import Place, Unit
from readiness.domain.time_to_ready import VERDICT_KEYS
from readiness.selectors.snapshot import CHUNK_UNITS
from readiness.services.sweep import judged
from readiness.services.sweeps import sweep_at_once, today_of, told_of


class Command(BaseCommand):
    help = (
        "Judges every unit as of a day (today at each depot unless told otherwise) and stores the verdicts."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--depot", help="code of one depot; without it every depot")
        parser.add_argument("--as-of", type=dt.date.fromisoformat, help="YYYY-MM-DD")
        parser.add_argument(
            "--what-if",
            action="store_true",
            help="only say what would come out. A day that is not today at the depot is always only said, "
            "unless --store is given.",
        )
        parser.add_argument("--store", action="store_true", help="store the verdicts of a day that is past")

    def handle(self, *args: Any, **options: Any) -> None:
        depots = Place.objects.filter(kind=Place.Kind.DEPOT, closed_on__isnull=True).order_by("code")
        if options["depot"]:
            depots = depots.filter(code__iexact=options["depot"])
            if not depots:
                raise CommandError(f"There is no open depot with the code '{options['depot']}'.")
        for depot in depots:
            today = today_of(depot, timezone.now())
            as_of = options["as_of"] or today
            if options["store"] and as_of > today:
                raise CommandError(
                    f"{depot.code}: {as_of} is still to come there (today is {today}). A day ahead is only said, never "
                    "stored: leave --store away."
                )
            only_say = options["what_if"] or (as_of != today and not options["store"])
            ids = list(
                Unit.objects.in_service().filter(home=depot).order_by("pk").values_list("pk", flat=True)
            )
            say = self.say if only_say else self.store
            self.stdout.write(f"{depot.code} as of {as_of}: {say(depot, ids, as_of)}")

    def store(self, depot: Place, ids: list[int], as_of: dt.date) -> str:
        done = sweep_at_once(depot=depot, as_of=as_of)
        for reason in done.set_asides.values_list("reason", flat=True):
            self.stderr.write(f"  set aside: {reason}")
        return told_of(done)

    def say(self, depot: Place, ids: list[int], as_of: dt.date) -> str:
        counts: Counter[str] = Counter()
        for start in range(0, len(ids), CHUNK_UNITS):
            for _, found, failed in judged(ids[start : start + CHUNK_UNITS], as_of, timezone.now()):
                counts.update({"set_aside": len(failed)})
                if found is not None:
                    counts.update(VERDICT_KEYS[code] for code in found.verdict.tolist())
        told = ", ".join(f"{counts[key]} {key.replace('_', ' ')}" for key in (*VERDICT_KEYS, "set_aside"))
        return f"{told} (nothing stored)"
