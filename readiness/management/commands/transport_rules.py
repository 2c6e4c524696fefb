"""Editions of the dangerous-goods rules: what is held, loading the next one, what it changes, release, withdrawal."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from fleet.domain.dangerous_goods.loaded import TableFaults
from fleet.lib.errors import DomainError
from fleet.models import RuleEdition, User
from fleet.selectors.editions import editions_on_file, rules_in_force
from fleet.services.editions import (
    check_releaser,
    edition_count,
    edition_load,
    edition_release,
    edition_withdraw,
)
from readiness.rules_words import endings
from readiness.web.transport_rules import changes_shown, edition_rows, held_modes


class Command(BaseCommand):
    help = "The editions of the dangerous-goods rules. What is loaded counts once a second person has released it."

    def add_arguments(self, parser: CommandParser) -> None:
        words = parser.add_subparsers(dest="what", required=True)
        words.add_parser("list", help="the editions held, what ends soon, and what was loaded")
        load = words.add_parser("load", help="load tables; they wait for a second person")
        load.add_argument("editions", type=Path, help="the table of editions (CSV)")
        load.add_argument("--goods", type=Path, help="the table of goods that an edition names (CSV)")
        load.add_argument("--name", required=True)
        load.add_argument("--note", default="")
        release = words.add_parser(
            "release", help="say what an edition changes; with --seen and the code that this says, release it"
        )
        release.add_argument("edition", type=int)
        release.add_argument("--seen", default="", help="the code of the list of changes that you looked at")
        withdraw = words.add_parser("withdraw", help="take an edition back")
        withdraw.add_argument("edition", type=int)
        withdraw.add_argument("--reason", required=True)
        for each in (load, release, withdraw):
            each.add_argument("--user", required=True, help="login of who does it")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            getattr(self, f"do_{options['what']}")(options)
        except TableFaults as error:
            raise CommandError("Nothing was loaded.\n" + "\n".join(error.sentences)) from error
        except DomainError as error:
            raise CommandError(error.sentence) from error

    def do_list(self, options: dict[str, Any]) -> None:
        rules, today = rules_in_force(), timezone.now().date()
        for sentence in endings(rules, today):
            self.stdout.write(f"! {sentence}")
        for mode in held_modes(rules, today):
            self.stdout.write(mode.title)
            for edition in mode.editions:
                self.stdout.write(f"  {edition.name}: {edition.first} to {edition.last}")
        for row in edition_rows(editions_on_file()):
            self.stdout.write(f"{row.pk}  {row.name}: {row.since or row.state} ({row.covers})")

    def do_load(self, options: dict[str, Any]) -> None:
        edition = edition_load(
            name=options["name"],
            editions_csv=self.text_of(options["editions"]),
            goods_csv=self.text_of(options["goods"]) if options["goods"] else "",
            note=options["note"],
            actor=self.person(options),
        )
        self.stdout.write(f"{edition.pk}  {edition.name} is loaded and waits for a second person.")

    def do_release(self, options: dict[str, Any]) -> None:
        edition, actor = self.edition(options), self.person(options)
        check_releaser(edition, actor)
        if options["seen"]:
            edition_release(edition=edition, seen=options["seen"], actor=actor)
            self.stdout.write(f"{edition.pk}  {edition.name} is released.")
            return
        shown = changes_shown(edition_count(edition=edition).changes)
        self.stdout.write(f"{edition.name} changes answers of {shown.units_changed} of {shown.units} units.")
        self.stdout.write(f"Ship dates looked at: {shown.days}")
        for row in shown.of_units:
            self.stdout.write(
                f"  {row.mode}, {row.day}: {row.units} units from '{row.before}' to '{row.after}'"
            )
        self.stdout.write(f"Otherwise than under the edition before it: {shown.than_last_total} lines.")
        for line in shown.than_last:
            self.stdout.write(
                f"  {line.tag}, {line.label}: {line.mode}, from '{line.before}' to '{line.after}'. {line.why}"
            )
        self.stdout.write(f"Otherwise than as the rules stand now: {shown.lines_total} lines.")
        for line in shown.lines:
            self.stdout.write(
                f"  {line.tag}, {line.label}: {line.mode}, {line.day}: from '{line.before}' to '{line.after}'. {line.why}"
            )
        if shown.lines_total > len(shown.lines):
            self.stdout.write(f"  … {shown.lines_total - len(shown.lines)} lines more.")
        self.stdout.write(f"Nothing is released yet. To release it: --seen {shown.digest}")

    def do_withdraw(self, options: dict[str, Any]) -> None:
        edition = edition_withdraw(
            edition=self.edition(options), reason=options["reason"], actor=self.person(options)
        )
        self.stdout.write(f"{edition.pk}  {edition.name} is withdrawn.")

    def person(self, options: dict[str, Any]) -> User:
        user = User.objects.filter(username=options["user"], is_active=True).first()
        if user is None:
            raise CommandError(f"There is no active user '{options['user']}'.")
        return user

    def edition(self, options: dict[str, Any]) -> RuleEdition:
        edition = editions_on_file().filter(pk=options["edition"]).first()
        if edition is None:
            raise CommandError(f"No edition has the number {options['edition']}: see 'transport_rules list'.")
        return edition

    def text_of(self, path: Path) -> str:
        try:
            return path.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            raise CommandError(f"{path.name} cannot be read as text in UTF-8: {error}") from error
