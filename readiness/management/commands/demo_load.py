"""Loads the invented scenario into an empty database of a development install, with a login for each role."""

from __future__ import annotations

import datetime as dt
import time
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection
from django.utils import timezone

from fleet.models import Place, Unit
from readiness.demo.loggers import loggers_at_work
from readiness.demo.logins import FILE, kept, make_logins
from readiness.demo.passes import past_passes, people_at_work, todays_pass
from readiness.demo.scenario import SEED, build
from readiness.demo.source import read_source
from readiness.demo.write import Writer

HISTORY_WEEKS = 12  # so that the history and the horizon have something to show


def iso_date(text: str) -> dt.date:
    return dt.date.fromisoformat(text)


class Command(BaseCommand):
    help = "Loads the invented scenario, prints a login for each role, and runs the sweep. Data already there are kept."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--today", type=iso_date, help="the day the scenario ends on (YYYY-MM-DD)")
        parser.add_argument("--seed", type=int, default=SEED)
        parser.add_argument("--units", type=int, help="so many units instead of the written ones")
        parser.add_argument("--fresh", action="store_true", help="throw the demo's database away first")
        parser.add_argument(
            "--weeks", type=int, default=HISTORY_WEEKS, help="weekly sweeps of the past before today's"
        )
        parser.add_argument(
            "--no-sweep", action="store_const", const=None, dest="weeks", help="load only, sweep nothing"
        )
        parser.add_argument("--no-logins", action="store_true", help="make no passwords (for trials of size)")

    def handle(self, *args: Any, **options: Any) -> None:
        self.refuse_real_install()
        folder = Path(settings.DATA_DIR)
        if options["fresh"]:
            self.throw_away(folder)
        call_command("migrate", interactive=False, verbosity=0)
        if Unit.objects.exists() or Place.objects.exists():
            self.stdout.write("There is a fleet in the database already; it is kept. FRESH=1 starts afresh.")
            self.print_logins(kept(folder))
            return
        started = time.monotonic()
        today = options["today"] or timezone.now().date()
        rows = self.load(today, options["seed"], options["units"])
        self.say(started, f"{rows} rows as of {today}")
        logins: list[str] = []
        if not options["no_logins"]:
            logins = [str(login) for login in make_logins(self.usernames, folder)]
        if options["weeks"] is not None:
            loggers_at_work(today)
            past_passes(today, options["weeks"])
            self.stdout.write(todays_pass(today).rstrip())
            people_at_work(today)
            self.say(started, f"swept, with {options['weeks']} weeks before")
        self.print_logins(logins)

    def refuse_real_install(self) -> None:
        if not settings.DEVELOPMENT or not settings.DEBUG:
            raise CommandError("DEBUG is off: this looks like a real installation. The demo is not loaded.")
        if settings.DATABASE_URL:
            raise CommandError(
                "DATABASE_URL is set: the demo only goes into the SQLite file of a development install. "
                "Unset it, or bring a fleet in by the import."
            )

    def throw_away(self, folder: Path) -> None:
        """Deletes the database file, if the demo made it."""
        path = Path(str(connection.settings_dict["NAME"]))
        if not path.exists():
            return
        if self.holds_a_fleet() and not (folder / FILE).exists():
            raise CommandError(
                f"{path} holds a fleet that the demo did not load. Move that file away yourself if you mean it."
            )
        connection.close()
        for suffix in ("", "-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
        (folder / FILE).unlink(missing_ok=True)

    def holds_a_fleet(self) -> bool:
        if Unit._meta.db_table not in connection.introspection.table_names():
            return False
        return Unit.objects.exists()

    def load(self, today: dt.date, seed: int, units: int | None) -> int:
        source = read_source(Path(settings.BASE_DIR) / "fixtures")
        self.usernames = [person["username"] for person in source["people"] if person["login"]]
        rows = build(source, today, seed, units)
        return Writer(rows).write()

    def say(self, started: float, text: str) -> None:
        self.stdout.write(f"Demo: {text} ({time.monotonic() - started:.0f} s)")

    def print_logins(self, lines: list[str]) -> None:
        if lines:
            self.stdout.write("Sign in with one of these (made for this install only):")
            for line in lines:
                self.stdout.write(f"  {line}")
