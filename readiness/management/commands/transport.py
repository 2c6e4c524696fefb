"""Says by which conveyance a unit may go, or which units one conveyance can take; with margins, reasons and sources."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from django import forms
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.serializers.json import DjangoJSONEncoder
from django.utils import timezone

from fleet.models import Unit
from fleet.web.limits import need_words
from readiness.forms.transport import faults_in_words
from readiness.forms.transport_find import FindForm, find_of_form
from readiness.forms.transport_questions import SheetForm, typed_of
from readiness.selectors.transport import clearances_of, terms_on
from readiness.web.transport import conveyance_choices
from readiness.web.transport_answers import found_answers, unit_answers

NUMBERS = (
    ("alt-m", "highest hover, and the airfield [m]"),
    ("isa-dev-c", "air above standard [K]"),
    ("sling-mm", "length of a sling leg [mm]"),
    ("leg-wll-kg", "rated load of a sling leg [kg]"),
    ("leg-km", "the leg to be flown [km]"),
    ("runway-m", "length of the runway [m]"),
    ("slope-pct", "its slope [%%]"),
    ("fork-kg", "rated load of a fork truck [kg]"),
    ("fork-centre-mm", "its load centre [mm]"),
    ("fork-axle-kg", "its front axle with the load [kg]"),
    ("blade-width-mm", "width of a blade [mm]"),
    ("blade-length-mm", "length of a blade [mm]"),
    ("spread-least-mm", "blades apart, least [mm]"),
    ("spread-most-mm", "blades apart, most [mm]"),
    ("mu", "friction under the load"),
    ("lash-deg", "angle of the lashings to the deck [degrees]"),
    ("stf-dan", "hand tension of a strap [daN]"),
    ("beams-mm", "beams under the load, along [mm]"),
    ("boards-m2", "boards under the load [m2]"),
    ("floor", "what the floor of an aircraft bears, by its manual [kg/m2]"),
)
WHOLE = (("days", "mission length (the depot's usual one)"), ("straps", "lashings over the top"))
WORDS = (
    ("surface", "of the runway: paved or unpaved"),
    ("licence", "of the driver, such as BE or CDL_B"),
    ("floor-of", "the aircraft whose floor is stated"),
)
FLAGS = (("blocked", "the load is blocked in front"), ("may-tip", "the load is liable to tip"))
FIRST = 50  # rows of a search that are said, unless told otherwise


class Command(BaseCommand):
    help = (
        "The transport class of one unit on a ship date, or without a unit: which units a conveyance can take. "
        "Decision support: the trained person and the carrier decide."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("tag", nargs="?")
        parser.add_argument("--ship-date", type=dt.date.fromisoformat, required=True, help="YYYY-MM-DD")
        parser.add_argument("--form", help="only this packed form")
        parser.add_argument(
            "--conveyance", help="which units can it take: a key of the tables, or fork_truck"
        )
        parser.add_argument("--hook-kg", type=float, help="which units can a hook of this limit take [kg]")
        parser.add_argument("--first", type=int, default=FIRST, help=f"rows of a search ({FIRST})")
        for names, kind in ((NUMBERS, float), (WHOLE, int), (WORDS, str)):
            for name, words in names:
                parser.add_argument(f"--{name}", type=kind, help=words)
        for name, words in FLAGS:
            parser.add_argument(f"--{name}", action="store_true", help=words)
        parser.add_argument("--json", action="store_true", help="the whole answer as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        searched = options["conveyance"] is not None or options["hook_kg"] is not None
        if searched == (options["tag"] is not None):
            raise CommandError("Name a unit, or with --conveyance or --hook-kg what is to take units.")
        answer = self.found(options) if searched else self.of_unit(options)
        if options["json"]:
            self.stdout.write(json.dumps(answer, cls=DjangoJSONEncoder, indent=2))
            return
        self.stdout.write(self.said_found(answer) if searched else self.said(answer))

    def typed(self, options: dict[str, Any], *more: str) -> dict[str, str]:
        names = [name.replace("-", "_") for name, _words in (*NUMBERS, *WHOLE, *WORDS, *FLAGS)]
        return typed_of(options["ship_date"], {name: options[name] for name in (*names, *more)})

    def valid(self, form: forms.Form) -> None:
        if not form.is_valid():
            raise CommandError(" ".join(faults_in_words(form)))

    def found(self, options: dict[str, Any]) -> dict[str, Any]:
        form = FindForm(
            self.typed(options, "conveyance", "hook_kg"), system="si", conveyances=conveyance_choices()
        )
        self.valid(form)
        units = list(Unit.objects.in_service().order_by().values_list("pk", flat=True))
        return found_answers(find_of_form(units, form, now=timezone.now()), 0, max(options["first"], 0))

    def of_unit(self, options: dict[str, Any]) -> dict[str, Any]:
        found = Unit.objects.in_service().filter(tag__iexact=options["tag"])
        unit = found.select_related("design", "home").first()
        if unit is None:
            raise CommandError(f"No unit in service bears the tag '{options['tag']}'.")
        form = SheetForm(self.typed(options), system="si")
        self.valid(form)
        terms = terms_on(options["ship_date"])
        (answer,) = unit_answers(
            [unit],
            options["ship_date"],
            form.trip(clearances_of(terms), terms.rigging_kg),
            now=timezone.now(),
            mission_days=options["days"],
            truck=form.truck(),
        )
        if options["form"]:
            answer["forms"] = [packed for packed in answer["forms"] if packed["form"] == options["form"]]
            if not answer["forms"]:
                raise CommandError(f"{unit.tag} has no packed form '{options['form']}'.")
        return answer

    def said(self, answer: dict[str, Any]) -> str:
        lines = [f"{answer['tag']} on {answer['ship_date']}"]
        lines += [f"  {law['mode']}: {law['verdict']} ({law['edition']})" for law in answer["law"]]
        lines += [f"  {paper['sentence']}" for paper in answer["papers"] if paper["outcome"] != "pass"]
        for form in answer["forms"]:
            kg = form["packed_mass_kg"]
            mass = need_words(kg, "kg").replace("\u00a0", " ") or "mass not known"
            lines.append(f"Packed as {form['form']}, {mass}")
            fork = [form["fork_truck"]] if form["fork_truck"] else []
            lines += [f"  {row['name']}: {self.word(row)}" for row in (*fork, *form["conveyances"])]
        return "\n".join([*lines, self.left_open(answer)])

    def said_found(self, answer: dict[str, Any]) -> str:
        counts = f"{answer['able']} of {answer['count']} packed forms can go, {answer['undecided']} cannot be decided"
        lines = [f"{answer['name']} on {answer['ship_date']}: {counts}"]
        lines += [f"  {row['tag']} as {row['form']}: {self.word(row)}" for row in answer["forms"]]
        if rest := answer["count"] - len(answer["forms"]):
            lines.append(f"  {rest} more")
        return "\n".join([*lines, self.left_open(answer)])

    def word(self, row: dict[str, Any]) -> str:
        return f"{row['answer'].replace('_', ' ')}. {' '.join(row['why'])}"

    def left_open(self, answer: dict[str, Any]) -> str:
        return f"Not asked here: {answer['not_asked']}." if answer["not_asked"] else ""
