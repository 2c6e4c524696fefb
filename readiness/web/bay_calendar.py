"""A depot's bay plan as a calendar (RFC 5545): an event to connect and one to take off for each line."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.utils.translation import gettext as _
from icalendar import Calendar, Event

from readiness.web.bay_board import LineView, PlanView

# How long somebody is busy at a bay.
HANDLING = dt.timedelta(minutes=15)
DOMAIN = "musterwell"


def bay_calendar(name: str, view: PlanView | None, *, now: dt.datetime) -> bytes:
    """The whole feed; times in UTC, which every reader turns into its own. Without a plan it is empty, not missing.

    An event keeps its identity from plan to plan (bank and stretch), so that a calendar moves it instead of doubling it.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//Musterwell//bay plan//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("name", name)
    calendar.add("x-wr-calname", name)
    calendar.add("refresh-interval", dt.timedelta(hours=1), parameters={"VALUE": "DURATION"})
    if view is not None:
        for line in view.lines:
            for event in _events(view, line, now):
                calendar.add_component(event)
    found: bytes = calendar.to_ical()
    return found


def _events(view: PlanView, line: LineView, now: dt.datetime) -> list[Event]:
    words = {"bank": line.bank, "unit": line.unit, "bay": line.bay}
    about = [f"{_('Charger done')}: {line.ends}", line.why]
    if line.set_a is not None:
        about.insert(0, _("Set the charger to %(a).1f A.") % {"a": line.set_a})
    found = []
    if line.state in ("planned", "late"):
        said = _("Connect %(bank)s %(unit)s on %(bay)s") % words
        found.append(_event("connect", said, line.starts_at, about, view, line))
    if line.state != "done":
        said = _("Take %(bank)s %(unit)s off %(bay)s") % words
        found.append(_event("take-off", said, line.off_at, about, view, line))
    for event in found:
        event.add("dtstamp", view.plan.published_at or now)
        event.add("last-modified", view.plan.published_at or now)
        event.add("sequence", view.plan.pk)
    return found


def _event(
    what: str, summary: str, at: dt.datetime, about: Sequence[str], view: PlanView, line: LineView
) -> Event:
    event = Event()
    event.add("uid", f"{what}-{view.plan.place_id}-{line.bank.lower()}-{line.stretch}@{DOMAIN}")
    event.add("summary", " ".join(summary.split()))
    event.add("dtstart", at.astimezone(dt.UTC))
    event.add("dtend", at.astimezone(dt.UTC) + HANDLING)
    event.add("location", view.plan.place.name)
    event.add("description", "\n".join(part for part in about if part))
    event.add("transp", "TRANSPARENT")
    return event
