"""Plans the charger bays of a depot, here and now: a draft, its proof, and where asked for its publishing."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.serializers.json import DjangoJSONEncoder
from django.utils import timezone

from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import Place, User
from fleet.permissions import rights_of
from fleet.services.jobs import job_run
from readiness.bay_sentences import gap_words, level_value, sentence
from readiness.models import BayPlan
from readiness.selectors.bay_pages import plan_lines
from readiness.services.bay_plans import NothingToPlan, bay_plan_compute
from readiness.services.bay_publish import FactsChanged, bay_plan_publish
from readiness.web.bay_board import plan_view


class Command(BaseCommand):
    help = "Makes a bay plan of a depot, proves it, and says what came out; --publish makes it the plan that counts."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--depot", required=True, help="code of the depot")
        parser.add_argument("--publish", action="store_true", help="publish it, signed by --user")
        parser.add_argument("--user", help="login of who plans; needed to publish")
        parser.add_argument(
            "--reason", default="", help="why a floor may be broken, where the plan breaks one"
        )
        parser.add_argument(
            "--at-once", action="store_true", help="only the plan at once; the workers prove it"
        )
        parser.add_argument("--json", action="store_true", help="the lines as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        place = Place.objects.filter(kind=Place.Kind.DEPOT, code__iexact=options["depot"]).first()
        if place is None:
            raise CommandError(f"There is no depot with the code '{options['depot']}'.")
        actor = self.person(options["user"], place, options["publish"])
        try:
            plan = bay_plan_compute(place=place, actor=actor)
        except NothingToPlan as error:
            raise CommandError(" ".join(sentence(stop) for stop in error.stops)) from error
        except DomainError as error:
            raise CommandError(error.sentence) from error
        if plan.job_id is not None and not options["at_once"]:
            # Here and now: a worker that has it already goes on with it, and this waits for nothing.
            job_run(job_id=plan.job_id)
            plan.refresh_from_db()
        if options["publish"]:
            assert actor is not None
            plan = self.publish(plan, actor, options["reason"])
        if options["json"]:
            self.stdout.write(json.dumps(self.lines(plan), cls=DjangoJSONEncoder, indent=2))
            return
        self.stdout.write(self.said(plan))

    def person(self, login: str | None, place: Place, publish: bool) -> User | None:
        if login is None:
            if publish:
                raise CommandError("--publish needs --user: somebody answers for a plan that others work by.")
            return None
        user: User | None = User.objects.filter(username=login, is_active=True).first()
        if user is None:
            raise CommandError(f"There is no active user '{login}'.")
        if not rights_of(user).can("upkeep", place.pk):
            raise CommandError(f"'{login}' may not plan for {place.name}.")
        return user

    def publish(self, plan: BayPlan, actor: User, reason: str) -> BayPlan:
        try:
            return bay_plan_publish(
                plan=plan, actor=actor, accepted_name=str(actor) if reason else "", accepted_reason=reason
            )
        except FactsChanged as error:
            changes = "; ".join(sentence(change) for change in error.changes)
            raise CommandError(f"{error.sentence} {changes}") from error
        except DomainError as error:
            raise CommandError(error.sentence) from error

    def lines(self, plan: BayPlan) -> list[dict[str, Any]]:
        return [
            {
                "bank": line.bank.serial,
                "bay": line.bay.name,
                "starts_at": line.starts_at,
                "ends_at": line.ends_at,
                "off_at": line.off_at,
                "kw": line.kw,
            }
            for line in plan_lines(plan)
        ]

    def said(self, plan: BayPlan) -> str:
        view = plan_view(plan, plan_lines(plan), now=timezone.now())
        zone = find_zone(view.zone)
        slot_h = view.slot_h
        state = f"{plan.get_state_display()}, {len(view.lines)} charges"
        told = [f"{plan.place.code}: plan {plan.pk}, {state}. {view.proof_words}"]
        told += [
            f"  {line.starts_at.astimezone(zone):%Y-%m-%d %H:%M} to {line.ends_at.astimezone(zone):%m-%d %H:%M}"
            f"  {line.bay:6} {line.unit or '-':8} {line.bank}: {line.why}"
            for line in view.lines
        ]
        told += [
            f"  {row['name']}: {level_value(row['name'], row['value'], slot_h)}, {gap_words(row, slot_h)}"
            for row in plan.frozen["levels"]
        ]
        for title, rows in (
            ("floor", view.dangers),
            ("no place", view.undone),
            ("late", view.late),
            ("cannot be planned", view.left_out),
        ):
            told += [f"  {title}: {row.bank}. {row.words}" for row in rows]
        told += [f"  note: {note}" for note in view.notes] + [f"  would mend it: {way}" for way in view.ways]
        return "\n".join(told)
