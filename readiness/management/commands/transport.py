"""Says by which conveyance a unit may go, with margins, reasons and sources."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.serializers.json import DjangoJSONEncoder
from django.utils import timezone

from fleet.models import Unit
from fleet.web.limits import need_words
from readiness.web.transport_answers import trip_of, unit_answers


class Command(BaseCommand):
    help = "The transport class of one unit on a ship date. Decision support: the trained person and the carrier decide."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("tag")
        parser.add_argument("--ship-date", type=dt.date.fromisoformat, required=True, help="YYYY-MM-DD")
        parser.add_argument("--days", type=int, help="mission length (the depot's usual one)")
        parser.add_argument("--form", help="only this packed form")
        parser.add_argument("--alt-m", type=float, help="highest hover [m]")
        parser.add_argument("--isa-dev-c", type=float, help="air above standard [K]")
        parser.add_argument("--sling-mm", type=float, help="length of a sling leg [mm]")
        parser.add_argument("--json", action="store_true", help="the whole answer as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        unit = (
            Unit.objects.in_service()
            .filter(tag__iexact=options["tag"])
            .select_related("design", "home")
            .first()
        )
        if unit is None:
            raise CommandError(f"No unit in service bears the tag '{options['tag']}'.")
        trip = trip_of(
            options["ship_date"],
            alt_m=options["alt_m"],
            isa_dev_c=options["isa_dev_c"],
            sling_mm=options["sling_mm"],
        )
        (answer,) = unit_answers(
            [unit], options["ship_date"], trip, now=timezone.now(), mission_days=options["days"]
        )
        if options["form"]:
            answer["forms"] = [form for form in answer["forms"] if form["form"] == options["form"]]
            if not answer["forms"]:
                raise CommandError(f"{unit.tag} has no packed form '{options['form']}'.")
        if options["json"]:
            self.stdout.write(json.dumps(answer, cls=DjangoJSONEncoder, indent=2))
            return
        self.stdout.write(self.said(answer))

    def said(self, answer: dict[str, Any]) -> str:
        lines = [f"{answer['tag']} on {answer['ship_date']}"]
        lines += [f"  {law['mode']}: {law['verdict']} ({law['edition']})" for law in answer["law"]]
        lines += [f"  {paper['sentence']}" for paper in answer["papers"] if paper["outcome"] != "pass"]
        for form in answer["forms"]:
            kg = form["packed_mass_kg"]
            mass = need_words(kg, "kg").replace("\u00a0", " ") or "mass not known"
            lines.append(f"Packed as {form['form']}, {mass}")
            lines += [
                f"  {row['name']}: {row['answer'].replace('_', ' ')}. {' '.join(row['why'])}"
                for row in form["conveyances"]
            ]
        return "\n".join(lines)
