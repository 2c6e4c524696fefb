"""Ready alone and ready together: what the ready units of a depot share and compete for.

The whole depot counts, whatever a page shows of it. Units that need nothing but the equipment of their design are only
counted; of those with something to load, fit or mend first the stored checks are read, as many as MOST_READ.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Count, Exists, OuterRef, QuerySet

from fleet.models import Place
from inventory.models import Balance, DesignEquipment, DesignItem, Item, Lot, SharedEquipment
from readiness.domain.together import TIME_LIMIT_S, Together, ready_together
from readiness.models import Alert, Fault
from readiness.models.sweep import Outcome
from readiness.selectors.pages_units import units_with_verdicts
from readiness.selectors.store_needs import RULES

MOST_READ = 1000
# Checks that are mended with something from the stores.
TAKES = frozenset({"kit", "part_fitted", "part_life", "fault"})


@dataclass(frozen=True)
class DepotTogether:
    """One depot's answer; ``names`` spells the keys of what is competed for."""

    depot: Place
    units: int
    answer: Together
    names: Mapping[str, str]


@dataclass
class _Wants:
    """What one ready unit takes from the stores before it leaves: by item, for its kit, and for its positions and faults."""

    pk: int
    home: int
    design: int
    mission_days: float
    kit: dict[int, float] = field(default_factory=lambda: defaultdict(float))
    parts: dict[int, float] = field(default_factory=lambda: defaultdict(float))

    @property
    def items(self) -> set[int]:
        return set(self.kit) | set(self.parts)


@dataclass
class _Home:
    """The units of a depot: all, and the ready ones by design, those with open work on stock apart."""

    units: int = 0
    plain: Counter[int] = field(default_factory=Counter)
    working: int = 0
    wants: list[_Wants] = field(default_factory=list)


def together_by_depot(
    *, now: dt.datetime, today: dt.date, depots: Sequence[Place], depot: Place | None = None
) -> list[DepotTogether]:
    """Every depot in view that has units, or the one chosen. A fixed number of queries."""
    listed = units_with_verdicts(now=now, depots=depots, depot=depot).order_by()
    homes = _homes(listed)
    wants = [want for home in homes.values() for want in home.wants]
    names: dict[str, str] = {}
    asked = _asked({pk for home in homes.values() for pk in home.plain} | {w.design for w in wants}, names)
    available = _owned(homes, today)
    items = {item for want in wants for item in want.items}
    if items:
        rows = Item.objects.filter(pk__in=items).values_list("pk", "name")
        names |= {f"item:{pk}": name for pk, name in rows}
        _add_stores(available, homes, items, today)
    takes = _takes(wants, today)
    limit_s = max(TIME_LIMIT_S / max(len(homes), 1), 0.2)
    found = []
    for place in Place.objects.filter(pk__in=homes).order_by("name", "pk"):
        home = homes[place.pk]
        needs: list[Mapping[str, float]] = []
        for design, count in home.plain.items():
            needs += [asked.get(design, {})] * count
        for want in home.wants:
            needs.append({**asked.get(want.design, {}), **takes[want.pk]})
        answer = ready_together(needs, available.get(place.pk, {}), time_limit_s=limit_s)
        left_out = home.working - len(home.wants)
        if left_out:
            # Ready alone for certain; nothing is said of them together, so that there may be more at once.
            answer = dataclasses.replace(answer, alone=answer.alone + left_out, proven=False)
        found.append(DepotTogether(place, home.units, answer, names))
    return found


def _homes(listed: QuerySet[Any]) -> dict[int, _Home]:
    """Two queries, and two to name what failing checks take."""
    work = Alert.objects.filter(about_unit=OuterRef("pk"), rule__in=RULES, cleared_at__isnull=True)
    listed = listed.annotate(has_work=Exists(work))
    homes: dict[int, _Home] = {}
    counted = listed.values_list("home_id", "design_id", "shown_outcome", "has_work").annotate(n=Count("pk"))
    for home_id, design, outcome, has_work, count in counted:
        home = homes.setdefault(home_id, _Home())
        home.units += count
        if outcome != Outcome.READY:
            continue
        if has_work:
            home.working += count
        else:
            home.plain[design] += count
    rows = listed.filter(shown_outcome=Outcome.READY, has_work=True).order_by("pk")
    read = list(rows.values_list("pk", "home_id", "design_id", "shown_result")[:MOST_READ])
    failing = {pk: _failing(result) for pk, _home, _design, result in read}
    positions, quantities = _named([check for checks in failing.values() for check in checks])
    for pk, home_id, design, result in read:
        want = _Wants(pk, home_id, design, float((result or {}).get("mission_days") or 0.0))
        for check in failing[pk]:
            _take(want, check, positions, quantities)
        homes[home_id].wants.append(want)
    return homes


def _failing(result: Any) -> list[Mapping[str, Any]]:
    """Checks on which a verdict rests that failed and can be mended from the stores."""
    return [
        check
        for check in (result or {}).get("checks", ())
        if check["outcome"] == "fail" and check["gates"] and check["key"] in TAKES
    ]


def _named(checks: Sequence[Mapping[str, Any]]) -> tuple[dict[int, int], dict[int, float]]:
    """Items of worn parts by their position, and how many pieces a fault takes. At most two queries."""
    worn = {check["subject"]["id"] for check in checks if check["key"] == "part_life"}
    faults = {check["subject"]["id"] for check in checks if check["key"] == "fault"}
    positions = dict(DesignItem.objects.filter(pk__in=worn).values_list("pk", "item_id")) if worn else {}
    rows = Fault.objects.filter(pk__in=faults).values_list("pk", "part_qty") if faults else ()
    return positions, {pk: float(1 if qty is None else qty) for pk, qty in rows}


def _take(
    want: _Wants, check: Mapping[str, Any], positions: Mapping[int, int], quantities: Mapping[int, float]
) -> None:
    data, about = check.get("data") or {}, check["subject"]["id"]
    if check["key"] == "kit":
        short = float(data.get("needed") or 0.0) - float(data.get("aboard") or 0.0)
        if short > 0:
            want.kit[about] += short
    elif check["key"] == "fault":
        if data.get("item"):
            want.parts[int(data["item"])] += quantities.get(about, 1.0)
    elif item := data.get("item") or positions.get(about):
        want.parts[int(item)] += 1.0


def _asked(designs: set[int], names: dict[str, str]) -> dict[int, dict[str, float]]:
    """Shared equipment that each design takes along. One query."""
    asked: dict[int, dict[str, float]] = {}
    for row in DesignEquipment.objects.filter(design__in=designs):
        asked.setdefault(row.design_id, {})[f"equipment:{row.name}"] = float(row.count)
        names[f"equipment:{row.name}"] = row.name
    return asked


def _owned(homes: Iterable[int], today: dt.date) -> dict[int, dict[str, float]]:
    """Shared equipment in order at each depot. One query."""
    owned: dict[int, dict[str, float]] = {}
    for row in SharedEquipment.objects.filter(place__in=list(homes)).valid_on(today):
        owned.setdefault(row.place_id, {})[f"equipment:{row.name}"] = float(
            max(row.count - row.out_of_order, 0)
        )
    return owned


def _add_stores(
    available: dict[int, dict[str, float]], homes: Mapping[int, _Home], items: set[int], today: dt.date
) -> None:
    """What the stores hold of these items that lasts through the longest mission of the units that want it. One query."""
    ends = {
        pk: today + dt.timedelta(days=max((want.mission_days for want in home.wants), default=0.0))
        for pk, home in homes.items()
    }
    for balance in _usable(items).filter(place__in=ends):
        if balance.place_id is not None and _lasts(balance.lot, ends[balance.place_id]):
            held = available.setdefault(balance.place_id, {})
            key = f"item:{balance.lot.item_id}"
            held[key] = round(held.get(key, 0.0) + float(balance.qty), 3)


def _takes(wants: Sequence[_Wants], today: dt.date) -> dict[int, dict[str, float]]:
    """By unit, what it takes from the stores; a spare aboard goes into a position, unless the kit lacks it. One query."""
    spares: dict[tuple[int, int], float] = defaultdict(float)
    by_unit = {want.pk: want for want in wants if want.parts}
    if by_unit:
        items = {item for want in by_unit.values() for item in want.parts}
        for balance in _usable(items).filter(unit__in=by_unit):
            if balance.unit_id is None:
                continue
            end = today + dt.timedelta(days=by_unit[balance.unit_id].mission_days)
            if _lasts(balance.lot, end):
                spares[balance.unit_id, balance.lot.item_id] += float(balance.qty)
    takes: dict[int, dict[str, float]] = {}
    for want in wants:
        mine = takes.setdefault(want.pk, {})
        for item in want.items:
            spare = 0.0 if want.kit.get(item) else spares.get((want.pk, item), 0.0)
            amount = round(want.kit.get(item, 0.0) + max(want.parts.get(item, 0.0) - spare, 0.0), 3)
            if amount > 0:
                mine[f"item:{item}"] = amount
    return takes


def _usable(items: set[int]) -> QuerySet[Balance]:
    return Balance.objects.filter(lot__item__in=items, lot__status=Lot.Status.GOOD, qty__gt=0).select_related(
        "lot", "lot__item"
    )


def _lasts(lot: Lot, day: dt.date) -> bool:
    """As the checks see it: a lot without a date lasts only when it is known to have none."""
    if lot.expires_on is not None:
        return lot.expires_on >= day
    return lot.no_expiry or not lot.item.dated
