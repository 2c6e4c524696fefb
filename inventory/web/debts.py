"""Debts between units as a line of a table says them, and what settles one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext as _

from fleet.lib.quantities import System
from fleet.permissions import Rights
from fleet.web.days import day_words, distance_words, local, moment_words
from inventory.models import PartDebt
from inventory.selectors.spots import qty_text
from inventory.web.lines import unit_url


@dataclass(frozen=True)
class Action:
    label: str
    url: str


@dataclass(frozen=True)
class DebtLine:
    row: PartDebt
    what: str
    where: str
    owed_to_url: str
    given_to_url: str
    since: str
    distance: str
    held_back: str
    settled: str
    actions: tuple[Action, ...]


def debt_lines_of(
    rows: Iterable[PartDebt], *, today: dt.date, system: System, rights: Rights, next_url: str
) -> list[DebtLine]:
    """No query: the rows are from `selectors.debts.debts_shown`."""
    lines = []
    for row in rows:
        opened = debt_day(row, row.opened_at)
        lines.append(
            DebtLine(
                row=row,
                what=debt_what(row, system),
                where=row.position or (_("kit") if row.item_id else ""),
                owed_to_url=unit_url(row.owed_to),
                given_to_url=unit_url(row.given_to),
                since=day_words(opened),
                distance=distance_words(opened, today),
                held_back=held_back(row),
                settled=day_words(debt_day(row, row.settled_at)),
                actions=debt_actions(row, rights=rights, next_url=next_url),
            )
        )
    return lines


def debt_day(row: PartDebt, moment: dt.datetime | None) -> dt.date | None:
    """The day of a moment at the depot of the unit that is owed."""
    here = local(moment, row.owed_to.home.time_zone)
    return here.date() if here else None


def settled_words(row: PartDebt) -> str:
    """Who settled it, when and how: for a form that was open while somebody else did it."""
    known = {
        "when": moment_words(row.settled_at, row.owed_to.home.time_zone),
        "how": row.get_settled_how_display(),
    }
    if row.settled_by is None:
        return _("This debt was settled meanwhile, on %(when)s: %(how)s.") % known
    return _("This debt was settled meanwhile by %(who)s, on %(when)s: %(how)s.") % (
        known | {"who": row.settled_by}
    )


def debt_what(row: PartDebt, system: System) -> str:
    if row.item is None:
        return _("battery bank %(serial)s") % {"serial": row.bank.serial if row.bank else ""}
    if row.position:
        return row.item.name
    return f"{qty_text(row.qty, row.item, system)} × {row.item.name}"


def held_back(row: PartDebt) -> str:
    """Whether the unit that gave can leave without what it gave; empty once the gap is filled."""
    if row.settled_at is not None:
        return ""
    if row.item is not None and not row.item.grounds_unit:
        return _("no: it may leave without")
    if row.item is not None and not row.position:
        return _("%(unit)s, while its kit is short of it") % {"unit": row.owed_to.tag}
    return _("%(unit)s cannot leave without it") % {"unit": row.owed_to.tag}


def debt_actions(row: PartDebt, *, rights: Rights, next_url: str) -> tuple[Action, ...]:
    """What settles an open debt, as far as this person may: another one put in, or the same one given back."""
    if row.settled_at is not None:
        return ()
    upkeep = rights.can("upkeep", row.owed_to.home_id)
    actions = []
    if another := _another(row, rights=rights, upkeep=upkeep, next_url=next_url):
        actions.append(Action(_("Put another in"), another))
    if upkeep and rights.can("upkeep", row.given_to.home_id):
        back = {"source": row.given_to.tag, "debt": row.pk, "next": next_url}
        url = reverse("inventory:part-take", args=[row.owed_to.tag])
        actions.append(
            Action(_("Give it back from %(unit)s") % {"unit": row.given_to.tag}, f"{url}?{urlencode(back)}")
        )
    return tuple(actions)


def _another(row: PartDebt, *, rights: Rights, upkeep: bool, next_url: str) -> str:
    known: dict[str, Any] = {"next": next_url}
    if row.item is not None and not row.position:
        if not rights.can("stock", row.owed_to.home_id):
            return ""
        known |= {"item": row.item.code, "qty": f"{row.qty.normalize():f}"}
        return f"{reverse('inventory:unit-issue', args=[row.owed_to.tag])}?{urlencode(known)}"
    if not upkeep:
        return ""
    known["position"] = row.position
    # The records of a unit live in an app above: named, not imported.
    name = "readiness:unit-part-fit" if row.item is not None else "readiness:unit-bank-swap"
    try:
        return f"{reverse(name, args=[row.owed_to.tag])}?{urlencode(known)}"
    except NoReverseMatch:
        return ""
