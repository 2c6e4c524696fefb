"""How a depot charges, in words: what holds today, what comes, what has ended, and what a change does to the plan."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.lib.dates import find_zone
from fleet.lib.quantities import format_quantity
from fleet.models import DepotTerms, Place
from fleet.models.banks import Chemistry
from fleet.selectors.changes import changes_of, named
from fleet.web.changes import change_lines
from fleet.web.days import day_words
from readiness.models import (
    BayPlan,
    BayPlanLine,
    BayTerms,
    ChargerBay,
    CrewDay,
    CrewHours,
    StoragePolicy,
    SupplyHours,
)
from readiness.models.bays import MIDNIGHT, Weekday
from readiness.services.crew_hours import week_of

SHEETS = ("charger_bays", "bay_terms", "crew_hours", "crew_days", "supply_hours", "storage_policies")
PAST_DAYS = 30


def settings_page(place: Place, *, today: dt.date, system: Any, may_change: bool) -> dict[str, Any]:
    """Everything the settings page shows. A fixed number of queries."""
    bays = list(ChargerBay.objects.filter(place=place).order_by("name", "-valid_from"))
    terms = list(BayTerms.objects.filter(place=place))
    depot = list(DepotTerms.objects.filter(place=place))
    hours = list(CrewHours.objects.filter(place=place).order_by("-valid_from", "weekday", "opens"))
    supply = list(SupplyHours.objects.filter(place=place))
    days = list(CrewDay.objects.filter(place=place, day__gte=today - dt.timedelta(days=PAST_DAYS)))
    policies = list(StoragePolicy.objects.filter(place=place).select_related("chosen_by"))
    rows: tuple[Any, ...] = (*bays, *terms, *depot, *hours, *supply, *days, *policies)
    for row in rows:
        row.place = place
    held = first_in_force(terms, today)
    limit = first_in_force(depot, today)
    entries = changes_of(
        named([place, *bays[:40], *terms[:20], *supply[:40], *days, *policies[:20]])
        if any((bays, terms, supply, days, policies, hours))
        else {}
    )
    return {
        "bays": [_bay(row, today, system) for row in bays if not over(row, today)],
        "old_bays": [_bay(row, today, system) for row in bays if over(row, today)],
        "terms": _terms_pairs(held, limit, system),
        "terms_row": held,
        "terms_to_come": [_span(row, today) for row in terms if row.valid_from > today],
        "limit_to_come": [
            _span(row, today) | {"words": kw(row.supply_limit_kw, system)}
            for row in depot
            if row.valid_from > today
        ],
        "weeks": _weeks(hours, today),
        "has_week": any(not over(row, today) for row in hours),
        "days": [_day(row, today) for row in days],
        "supply": [_supply(row, today, system) for row in supply if not over(row, today)],
        "policies": [_policy(row, today) for row in policies if not over(row, today)],
        "sheets": [
            {"name": name, "label": label, "url": reverse("fleet:import-export", args=[name, "xlsx"])}
            for name, label in zip(
                SHEETS,
                (_("Bays"), _("Terms"), _("Crew's hours"), _("Odd days"), _("Supply hours"), _("Storage")),
                strict=True,
            )
        ],
        "may_change": may_change,
        "changes": change_lines(entries, place.time_zone),
        "missing": missing_settings(bays, held, limit, hours, today),
    }


def missing_settings(
    bays: Sequence[ChargerBay], terms: Any, limit: Any, hours: Sequence[CrewHours], today: dt.date
) -> list[str]:
    """What a plan of charges cannot do without."""
    lacking = []
    if not any(row.valid_from <= today and not over(row, today) for row in bays):
        lacking.append(_("No bay is on file: nothing can be charged by plan. Add the first one."))
    if not any(row.valid_from <= today and not over(row, today) for row in hours):
        lacking.append(_("The crew has no hours on file: no charge can begin. Write down its week."))
    if terms is None:
        lacking.append(_("The terms of charging are not on file. State them, unattended charging above all."))
    if limit is None or limit.supply_limit_kw is None:
        lacking.append(_("The supply limit is not known: what is not stated is never taken as enough."))
    return lacking


def over(row: Any, today: dt.date) -> bool:
    return row.valid_to is not None and row.valid_to < today


def first_in_force(rows: Iterable[Any], today: dt.date) -> Any:
    return next((row for row in rows if row.valid_from <= today and not over(row, today)), None)


def _span(row: Any, today: dt.date) -> dict[str, Any]:
    return {
        "row": row,
        "since": day_words(row.valid_from),
        "until": day_words(row.valid_to) if row.valid_to else "",
        "to_come": row.valid_from > today,
        "fresh": row.valid_from >= today,
        "ended": row.valid_to is not None,
    }


def _bay(row: ChargerBay, today: dt.date, system: Any) -> dict[str, Any]:
    return _span(row, today) | {
        "name": row.name,
        "current": format_quantity(row.max_a, "a", system),
        "voltage": format_quantity(row.max_v, "v", system),
        "power": kw(row.max_kw, system) if row.max_kw is not None else _("by current"),
        "profiles": chemistry_words(row.profiles),
        "note": row.note,
    }


def kw(value: float | None, system: Any) -> str:
    return "" if value is None else format_quantity(value, "kw", system)


def chemistry_words(codes: Sequence[str]) -> str:
    labels = dict(Chemistry.choices)
    return ", ".join(str(labels.get(code, code)) for code in codes)


def _terms_pairs(terms: BayTerms | None, depot: DepotTerms | None, system: Any) -> list[dict[str, Any]]:
    limit = {
        "label": _("Supply limit of the depot"),
        "value": kw(depot.supply_limit_kw if depot else None, system),
    }
    if terms is None:
        return [limit]
    return [
        limit,
        {"label": _("Drawn anyway"), "value": kw(terms.base_kw, system)},
        {
            "label": _("Banks connected or disconnected an hour"),
            "value": f"{terms.handlings_per_hour:g}" if terms.handlings_per_hour else _("no limit stated"),
        },
        {"label": _("Shortest time on a bay"), "value": format_quantity(terms.least_h, "h", system)},
        {
            "label": _("Planned ahead"),
            "value": ngettext("%d day", "%d days", terms.horizon_days) % terms.horizon_days,
        },
        {
            "label": _("May charge while nobody is there"),
            "value": chemistry_words(terms.unattended) or _("nothing"),
        },
        {"label": _("Who decided it"), "value": terms.source},
    ]


def _weeks(rows: Sequence[CrewHours], today: dt.date) -> list[dict[str, Any]]:
    """The week in force, and those to come; each with the hours of its seven days."""
    starts = sorted({row.valid_from for row in rows if not over(row, today)})
    weeks = []
    for since in starts:
        of_week = [row for row in rows if row.valid_from == since and not over(row, today)]
        weeks.append(
            _span(of_week[0], today)
            | {
                "days": [
                    (str(Weekday(weekday).label), stretch_words(stretches))
                    for weekday, stretches in week_of(of_week).items()
                ]
            }
        )
    return weeks


def stretch_words(stretches: Sequence[tuple[dt.time, dt.time]]) -> str:
    return ", ".join(f"{opens:%H:%M}–{closes:%H:%M}" for opens, closes in sorted(stretches)) or _("closed")


def _day(row: CrewDay, today: dt.date) -> dict[str, Any]:
    return {
        "row": row,
        "day": day_words(row.day),
        "hours": stretch_words([(row.opens, row.closes)]) if row.opens and row.closes else _("closed"),
        "reason": row.reason,
        "may_go": row.day >= today,
    }


def supply_words(row: SupplyHours) -> str:
    day = str(Weekday(row.weekday).label) if row.weekday is not None else _("every day")
    ends = "24:00" if row.ends == MIDNIGHT else f"{row.ends:%H:%M}"
    return f"{day}, {row.starts:%H:%M}–{ends}"


def _supply(row: SupplyHours, today: dt.date, system: Any) -> dict[str, Any]:
    return _span(row, today) | {
        "words": supply_words(row),
        "limit": kw(row.limit_kw, system),
        "reason": row.reason,
    }


def policy_lines(rows: Sequence[StoragePolicy], today: dt.date) -> list[dict[str, Any]]:
    """Choices in force, to come and over, the latest first."""
    return [_policy(row, today) for row in sorted(rows, key=lambda row: row.valid_from, reverse=True)]


def _policy(row: StoragePolicy, today: dt.date) -> dict[str, Any]:
    return _span(row, today) | {
        "chemistry": str(row.get_chemistry_display()),
        "kept": f"{100 * row.store_soc:.0f} %",
        "reason": row.reason,
        "who": str(row.chosen_by) if row.chosen_by else "",
    }


# --- what a change does to the plan people know --------------------------------------------------------------------------


def _planned(place: Place, now: dt.datetime) -> list[BayPlanLine]:
    """Charges of the published plan that have not ended. One query."""
    lines = BayPlanLine.objects.filter(
        plan__place=place, plan__state=BayPlan.State.PUBLISHED, off_at__gt=now, charge__isnull=True
    )
    return list(lines.select_related("bank", "bay"))


def _count(lines: Sequence[BayPlanLine], what: str) -> list[str]:
    if not lines:
        return []
    banks = ", ".join(sorted({str(line.bank.serial) for line in lines}))
    said = ngettext(
        "%(n)d charge of the published plan is %(what)s: %(banks)s. Plan again afterwards.",
        "%(n)d charges of the published plan are %(what)s: %(banks)s. Plan again afterwards.",
        len(lines),
    )
    return [said % {"n": len(lines), "what": what, "banks": banks}]


def charges_on_bay(place: Place, name: str, after: dt.date, now: dt.datetime) -> list[str]:
    """The charges planned on a bay from the day after `after` on."""
    zone = find_zone(place.time_zone)
    lines = [
        line
        for line in _planned(place, now)
        if line.bay.name == name and line.off_at.astimezone(zone).date() > after
    ]
    return _count(lines, _("on this bay after that day"))


def charges_outside(
    place: Place, week: dict[int, list[tuple[dt.time, dt.time]]], since: dt.date, now: dt.datetime
) -> list[str]:
    """The charges that would begin or be taken off while nobody is there, by a new week."""
    zone = find_zone(place.time_zone)

    def there(moment: dt.datetime) -> bool:
        local = moment.astimezone(zone)
        return any(opens <= local.time() <= closes for opens, closes in week.get(local.weekday(), []))

    lines = [
        line
        for line in _planned(place, now)
        if line.starts_at.astimezone(zone).date() >= since
        and not (there(line.starts_at) and there(line.off_at))
    ]
    return _count(lines, _("to begin or end while nobody is there"))


def charges_planned(place: Place, after: dt.date, now: dt.datetime) -> list[str]:
    """The charges of the plan from a day on: what was worked out by other terms."""
    zone = find_zone(place.time_zone)
    lines = [line for line in _planned(place, now) if line.off_at.astimezone(zone).date() >= after]
    return _count(lines, _("worked out by what holds now"))


def week_changes(old: dict[int, Any], new: dict[int, Any]) -> list[str]:
    return [
        f"{Weekday(day).label}: {stretch_words(old.get(day, []))} → {stretch_words(new.get(day, []))}"
        for day in Weekday.values
        if sorted(old.get(day, [])) != sorted(new.get(day, []))
    ]
