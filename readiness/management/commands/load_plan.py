"""Says what of several units and kit pallets goes into one hold, container or on one deck, and where it stands."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.serializers.json import DjangoJSONEncoder
from django.utils import timezone

from readiness.forms.transport import faults_in_words
from readiness.forms.transport_load import question_of, typed_of
from readiness.web.transport_load import MOST_KITS, MOST_UNITS
from readiness.web.transport_load_plan import plan_load
from readiness.web.transport_load_words import plan_answer


class Command(BaseCommand):
    help = (
        "One load, placed and judged as a whole. Decision support: the trained person and the carrier decide."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("units", nargs="*", metavar="TAG[:FORM]")
        parser.add_argument(
            "--conveyance", required=True, help="a key of the tables, such as c20gp_typ or b763f+pmc"
        )
        parser.add_argument("--ship-date", type=dt.date.fromisoformat, required=True, help="YYYY-MM-DD")
        parser.add_argument("--days", type=int, help="mission length (the depot's usual one)")
        parser.add_argument("--gap-mm", type=float, help="between pieces (the owner's)")
        parser.add_argument("--from-above", action="store_true", help="open tops only")
        parser.add_argument(
            "--kit",
            action="append",
            default=[],
            metavar="NAME,L,W,H,KG[,COUNT[,HOLDS]]",
            help="kit pallets [mm, kg]; HOLDS is none or listed",
        )
        parser.add_argument(
            "--floor-kg-m2", type=float, help="what the floor of an aircraft bears, by its manual"
        )
        parser.add_argument("--json", action="store_true", help="the whole answer as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        if len(options["units"]) > MOST_UNITS or len(options["kit"]) > MOST_KITS:
            raise CommandError(
                f"At most {MOST_UNITS} units and {MOST_KITS} kinds of kit pallets are placed at once."
            )
        typed = typed_of(
            ship_date=options["ship_date"],
            conveyance=options["conveyance"],
            units=options["units"],
            kits=[self.kit(text) for text in options["kit"]],
            days=options["days"],
            from_above=options["from_above"],
            gap_mm=options["gap_mm"],
            floor_kg_m2=options["floor_kg_m2"],
        )
        question, form = question_of(typed, system="si", today=options["ship_date"])
        if question is None:
            raise CommandError(" ".join(faults_in_words(form)))
        answer = plan_answer(plan_load(question, now=timezone.now()))
        if options["json"]:
            self.stdout.write(json.dumps(answer, cls=DjangoJSONEncoder, indent=2))
            return
        self.stdout.write(self.said(answer))

    def kit(self, text: str) -> dict[str, Any]:
        name, *numbers = [part.strip() for part in text.split(",")]
        try:
            length, width, height, mass = (float(part) for part in numbers[:4])
            count = int(numbers[4]) if len(numbers) > 4 else 1
        except ValueError:
            message = (
                f"--kit {text}: write name, length, width, height and mass, such as hoses,1200,800,1500,400"
            )
            raise CommandError(message) from None
        measures = {"length_mm": length, "width_mm": width, "height_mm": height, "mass_kg": mass}
        return {"name": name, "count": count, "holds": numbers[5] if len(numbers) > 5 else "", **measures}

    def said(self, answer: dict[str, Any]) -> str:
        lines = [
            f"{answer['name']} on {answer['ship_date']}: {answer['answer'].replace('_', ' ')}",
            answer["said"],
        ]
        lines += [
            f"  {row['number']}. {row['name']} at {row['x_mm']:.0f}, {row['y_mm']:.0f} mm"
            f"{', turned' if row['turned'] else ''}: {row['answer']}. {' '.join(row['why'])}".rstrip()
            for row in answer["placed"]
        ]
        lines += [f"  stays behind: {row['name']}. {' '.join(row['why'])}" for row in answer["left_behind"]]
        law = answer["law"]
        if law is not None:
            lines.append(f"{law['mode']}: {law['verdict']} ({law['edition']})")
            lines += [
                f"  {ruling['sentence']}" for ruling in (law["points"], law["materials_of_trade"]) if ruling
            ]
            lines += [f"  {pair['first']} with {pair['second']}: {pair['sentence']}" for pair in law["pairs"]]
        return "\n".join(lines)
