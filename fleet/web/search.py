"""One box over everything that has a name. Each app registers how its own things are found."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from django.db.models import Case, IntegerField, Q, QuerySet, Value, When
from django.urls import NoReverseMatch, is_valid_path, reverse
from django.utils.translation import gettext_lazy as _

from fleet.models import BankStay, BatteryBank, BatteryBlock, Certificate, Place, Unit

MOST_PER_KIND = 20
SHORTEST = 2


@dataclass(frozen=True)
class Hit:
    """One thing found: its name, what it is and where, and its page (empty: it has none of its own)."""

    name: str
    about: str
    url: str = ""


@dataclass(frozen=True)
class Found:
    label: Any
    hits: Sequence[Hit]
    more: bool = False


@dataclass(frozen=True)
class Finder:
    order: int
    label: Any
    find: Callable[[str], list[Hit]]


_finders: dict[str, Finder] = {}


def finder(
    key: str, *, order: int, label: Any
) -> Callable[[Callable[[str], list[Hit]]], Callable[[str], list[Hit]]]:
    """Registers how one kind of thing is found; the function returns at most MOST_PER_KIND + 1 hits, best first."""

    def register(find: Callable[[str], list[Hit]]) -> Callable[[str], list[Hit]]:
        _finders[key] = Finder(order, label, find)
        return find

    return register


# Each says which page a whole code leads to, as a scanner types it; empty: it knows none.
_openers: list[Callable[[str], str]] = []


def opener(find: Callable[[str], str]) -> Callable[[str], str]:
    """Registers what finds the page of a whole code, such as a lot number that stands on one lot only."""
    if find not in _openers:
        _openers.append(find)
    return find


def opened_by(text: str) -> str:
    """The page that a scanned code opens: an address of this site from a label, or a whole code; empty when none."""
    if text.startswith(("http://", "https://")):
        return _own_page(text)
    return next((url for find in _openers if (url := find(text))), "")


def _own_page(address: str) -> str:
    """Path and query of a scanned address if this site has such a page, whatever its host was called when printed."""
    parts = urlsplit(address)
    if parts.path.startswith("//") or not is_valid_path(parts.path):
        return ""
    return f"{parts.path}?{parts.query}" if parts.query else parts.path


def search(text: str) -> list[Found]:
    """What bears `text` in its name, kind by kind. Nothing for less than SHORTEST signs. A fixed number of queries."""
    wanted = text.strip()
    if len(wanted) < SHORTEST:
        return []
    found = []
    for each in sorted(_finders.values(), key=lambda one: one.order):
        hits = each.find(wanted)
        if hits:
            found.append(Found(each.label, hits[:MOST_PER_KIND], len(hits) > MOST_PER_KIND))
    return found


def best_first(rows: QuerySet[Any], text: str, *fields: str) -> QuerySet[Any]:
    """Rows with `text` in any of `fields`: those that are it, then those that begin with it, then the rest."""
    is_it, begins, has = Q(), Q(), Q()
    for name in fields:
        is_it |= Q(**{f"{name}__iexact": text})
        begins |= Q(**{f"{name}__istartswith": text})
        has |= Q(**{f"{name}__icontains": text})
    rank = Case(
        When(is_it, then=Value(0)), When(begins, then=Value(1)), default=Value(2), output_field=IntegerField()
    )
    return rows.filter(has).annotate(rank=rank).order_by("rank", fields[0])[: MOST_PER_KIND + 1]


def page_of_thing(name: str, *args: object, query: str = "") -> str:
    """The address of a page by its name; empty while there is no such page."""
    try:
        url = reverse(name, args=args)
    except NoReverseMatch:
        return ""
    return f"{url}?{query}" if query else url


def unit_page(unit: Unit | None) -> str:
    return page_of_thing("readiness:unit-show", unit.tag) if unit else ""


@finder("unit", order=10, label=_("Units"))
def _units(text: str) -> list[Hit]:
    rows = best_first(Unit.objects.select_related("design", "home"), text, "tag", "serial")
    return [Hit(unit.tag, f"{unit.design.name}, {unit.home.name}", unit_page(unit)) for unit in rows]


@finder("bank", order=20, label=_("Battery banks"))
def _banks(text: str) -> list[Hit]:
    banks = list(best_first(BatteryBank.objects.all(), text, "serial"))
    stays = BankStay.objects.current().filter(bank__in=banks).select_related("unit", "place")
    where = {stay.bank_id: stay for stay in stays}
    return [_in_place(bank.serial, bank.get_chemistry_display(), where.get(bank.pk)) for bank in banks]


@finder("block", order=30, label=_("Battery blocks"))
def _blocks(text: str) -> list[Hit]:
    blocks = list(
        best_first(BatteryBlock.objects.prefetch_related("stays__bank", "stays__place"), text, "serial")
    )
    hits = []
    for block in blocks:
        here = next((stay for stay in block.stays.all() if stay.ended_at is None), None)
        about = str(here.bank or here.place) if here else ""
        hits.append(Hit(block.serial, about, _bank_page(here.bank if here else None)))
    return hits


def _in_place(name: str, about: str, stay: BankStay | None) -> Hit:
    where = str(stay.unit or stay.place) if stay else ""
    return Hit(name, f"{about}, {where}" if where else about, page_of_thing("readiness:bank-show", name))


def _bank_page(bank: BatteryBank | None) -> str:
    return page_of_thing("readiness:bank-show", bank.serial) if bank else ""


@finder("certificate", order=40, label=_("Certificates"))
def _certificates(text: str) -> list[Hit]:
    rows = best_first(Certificate.objects.counting().select_related("unit"), text, "number")
    return [Hit(row.number, f"{row.get_kind_display()}, {row.unit.tag}", unit_page(row.unit)) for row in rows]


@finder("place", order=90, label=_("Places"))
def _places(text: str) -> list[Hit]:
    rows = best_first(Place.objects.all(), text, "name", "code")
    return [
        Hit(
            place.name,
            f"{place.get_kind_display()}, {place.code}",
            page_of_thing("readiness:unit-list", query=f"depot={place.code}")
            if place.kind == Place.Kind.DEPOT
            else "",
        )
        for place in rows
    ]
