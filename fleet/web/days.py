"""Days and moments as the reader's place counts them. The only helpers of the pages that ask the clock."""

from __future__ import annotations

import datetime as dt

from django.utils import formats, timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.lib.dates import find_zone
from fleet.models import Place


def today_at(place: Place | None) -> dt.date:
    """Today in the place's own zone; UTC when no place is in view."""
    return timezone.now().astimezone(find_zone(place.time_zone if place else "UTC")).date()


def local(moment: dt.datetime | None, zone: str) -> dt.datetime | None:
    return moment.astimezone(find_zone(zone)) if moment else None


def moment_words(moment: dt.datetime | None, zone: str) -> str:
    """``Tue 3 Nov 2026, 14:05`` in the place's own time; empty for None."""
    here = local(moment, zone)
    return formats.date_format(here, "D j M Y, H:i") if here else ""


def day_words(day: dt.date | None) -> str:
    """``Tue 3 Nov 2026``; empty for None."""
    return formats.date_format(day, "D j M Y") if day else ""


def short_day_words(day: dt.date | None, today: dt.date) -> str:
    """``Tue 3 Nov``, with the year only when it is more than half a year away; empty for None."""
    if day is None:
        return ""
    return formats.date_format(day, "D j M" if abs((day - today).days) <= 183 else "j M Y")


def distance_words(day: dt.date | None, today: dt.date) -> str:
    """How far a day is: ``today``, ``in 9 days``, ``2 days ago``."""
    if day is None:
        return ""
    days = (day - today).days
    if days == 0:
        return _("today")
    if days > 0:
        return ngettext("tomorrow", "in %(days)d days", days) % {"days": days}
    return ngettext("yesterday", "%(days)d days ago", -days) % {"days": -days}
