"""The crew's week and the days unlike it. A week holds from a day on, as a whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import Place, User
from fleet.services.audit import audit_record
from fleet.services.records import check_row, facts
from readiness.models import CrewDay, CrewHours
from readiness.models.bays import Weekday
from readiness.services.bay_checks import Stretch, check_day, check_week
from readiness.services.bay_settings import SettingChanged, setting_shown

DAY = timedelta(days=1)
Week = Mapping[int, Sequence[Stretch]]


def hours_in_force(place: Place, day: date) -> list[CrewHours]:
    """Rows of the week that holds on a day. One query."""
    return list(CrewHours.objects.filter(place=place).valid_on(day).order_by("weekday", "opens"))


def week_of(rows: Sequence[CrewHours]) -> dict[int, list[Stretch]]:
    week: dict[int, list[Stretch]] = {weekday: [] for weekday in Weekday.values}
    for row in rows:
        week[row.weekday].append((row.opens, row.closes))
    return week


def week_words(week: Week) -> str:
    """A week in one line, for the audit."""
    return "; ".join(
        f"{Weekday(weekday).label} {', '.join(f'{opens:%H:%M}-{closes:%H:%M}' for opens, closes in sorted(stretches))}"
        for weekday, stretches in sorted(week.items())
        if stretches
    )


def latest_week(place: Place) -> list[CrewHours]:
    """The rows that hold without an end, or last of all. One query."""
    rows = list(CrewHours.objects.filter(place=place).order_by("-valid_from", "weekday", "opens"))
    still = [row for row in rows if row.valid_to is None]
    if still:
        return still
    last = max((row.valid_to for row in rows if row.valid_to is not None), default=None)
    return [row for row in rows if row.valid_to == last]


def crew_week_write(
    *, place: Place, week: Week, valid_from: date, today: date, actor: User | None, shown: str
) -> list[CrewHours]:
    """The week from a day on; the one before ends the day before. `week`: stretches by weekday, Monday 0.

    The first week may begin on any day, a later one from `today` on. Raises SettingChanged, DomainError.
    """
    wanted = {weekday: sorted(week.get(weekday, ())) for weekday in Weekday.values}
    check_week(wanted)
    with transaction.atomic():
        Place.objects.select_for_update().get(pk=place.pk)
        there = latest_week(place)
        still = [row for row in there if row.valid_to is None]
        same = bool(still) and week_of(still) == wanted
        if same and all(row.valid_from == valid_from for row in still):
            return still
        if shown != setting_shown(there):
            raise SettingChanged(None)
        if there and valid_from < today:
            raise DomainError(
                "setting.in_past",
                _("{day} has passed. This changes from today on, so that what was planned stays explained."),
                day=valid_from.isoformat(),
            )
        since = max((row.valid_from for row in there), default=None)
        if since is not None and since > valid_from:
            raise DomainError(
                "crew.later_on_file",
                _("A week from {since} on is on file already. Choose that day, or a later one."),
                since=since.isoformat(),
            )
        if same:
            raise DomainError("setting.same", _("Nothing changes by that. Type what is to be otherwise."))
        for row in there:
            if row.valid_from == valid_from:
                row.delete()
            elif row.valid_to is None or row.valid_to >= valid_from:
                row.valid_to = valid_from - DAY
                check_row(row)
                row.save(update_fields=["valid_to"])
        added = _rows(place, wanted, valid_from)
        _note(place, "week", actor, week_words(week_of(still)), week_words(wanted), valid_from)
        return added


def _rows(place: Place, week: Week, valid_from: date) -> list[CrewHours]:
    added = []
    for weekday, stretches in week.items():
        for opens, closes in stretches:
            row = CrewHours(place=place, valid_from=valid_from, weekday=weekday, opens=opens, closes=closes)
            check_row(row)
            row.save(force_insert=True)
            added.append(row)
    return added


def crew_week_take_back(*, place: Place, today: date, actor: User | None) -> None:
    """Takes back the week that begins last, if that is today or later; the one it ended goes on."""
    with transaction.atomic():
        Place.objects.select_for_update().get(pk=place.pk)
        rows = list(CrewHours.objects.filter(place=place).order_by("-valid_from"))
        since = rows[0].valid_from if rows else None
        if since is None or since < today:
            raise DomainError(
                "crew.began",
                _("The week has begun. Write down the week that is to hold from now on instead."),
            )
        gone = [row for row in rows if row.valid_from == since]
        ended = [row for row in rows if row.valid_to == since - DAY]
        if not ended:
            raise DomainError(
                "crew.only_week",
                _(
                    "No week was on file before it. Without one no charge can begin: write down the right one instead."
                ),
            )
        for row in gone:
            row.delete()
        for row in ended:
            row.valid_to = None
            check_row(row)
            row.save(update_fields=["valid_to"])
        _note(place, "week", actor, week_words(week_of(gone)), week_words(week_of(ended)), since)


def _note(place: Place, verb: str, actor: User | None, before: str, after: str, day: date) -> None:
    audit_record(
        actor=actor,
        action=f"place.crew_{verb}",
        subject=place,
        before={"hours": before},
        after={"hours": after},
        note=f"from {day.isoformat()}",
        place=place,
    )


def crew_day_add(*, place: Place, values: Mapping[str, Any], today: date, actor: User | None) -> CrewDay:
    """A day unlike its weekday: `day`, `opens`, `closes`, `reason`. The same day once more is changed. Past days stay."""
    with transaction.atomic():
        Place.objects.select_for_update().get(pk=place.pk)
        _require_not_past(values["day"], today)
        row = CrewDay.objects.filter(place=place, day=values["day"]).first()
        before = facts(row) if row else None
        if row is not None and all(getattr(row, name) == value for name, value in values.items()):
            return row
        verb = "edit" if row else "add"
        row = row or CrewDay(place=place)
        for name, value in values.items():
            setattr(row, name, value)
        check_day(row)
        check_row(row)
        row.save()
        audit_record(
            actor=actor, action=f"crewday.{verb}", subject=row, before=before, after=facts(row), place=place
        )
        return row


def crew_day_remove(*, row: CrewDay, today: date, actor: User | None) -> None:
    """The day is as its weekday again; only while it has not passed."""
    with transaction.atomic():
        _require_not_past(row.day, today)
        gone, key = facts(row), row.pk
        row.delete()
        row.pk = key
        audit_record(actor=actor, action="crewday.remove", subject=row, before=gone, place=row.place)


def _require_not_past(day: date, today: date) -> None:
    if day < today:
        raise DomainError(
            "crew.day_passed",
            _("{day} has passed. What was open then stays on file as it was."),
            day=day.isoformat(),
        )
