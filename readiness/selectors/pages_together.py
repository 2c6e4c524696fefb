"""Ready alone and ready together: what the units of a depot share and compete for."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fleet.models import Place
from inventory.models import DesignEquipment, SharedEquipment
from readiness.domain.together import Together, ready_together
from readiness.models.sweep import Outcome


@dataclass(frozen=True)
class DepotTogether:
    """One depot's answer; ``names`` spells the keys of what is competed for."""

    depot: Place
    units: int
    answer: Together
    names: Mapping[str, str]


def together_by_depot(units: Iterable[Any], *, today: dt.date) -> list[DepotTogether]:
    """Of listed units (see ``units_with_verdicts``) by home depot. Two queries besides the units."""
    by_depot: dict[int, list[Any]] = {}
    for unit in units:
        by_depot.setdefault(unit.home_id, []).append(unit)
    designs = {unit.design_id for rows in by_depot.values() for unit in rows}
    asked: dict[int, dict[str, float]] = {}
    for need in DesignEquipment.objects.filter(design__in=designs):
        asked.setdefault(need.design_id, {})[need.name] = float(need.count)
    owned: dict[int, dict[str, float]] = {}
    for row in SharedEquipment.objects.filter(place__in=by_depot).valid_on(today):
        owned.setdefault(row.place_id, {})[row.name] = float(max(row.count - row.out_of_order, 0))
    return [_depot(rows, asked, owned.get(depot, {})) for depot, rows in by_depot.items()]


def _depot(
    units: list[Any], asked: Mapping[int, Mapping[str, float]], owned: Mapping[str, float]
) -> DepotTogether:
    available = {f"equipment:{name}": count for name, count in owned.items()}
    names = {f"equipment:{name}": name for needs in asked.values() for name in needs}
    needs = []
    for unit in units:
        if unit.shown_outcome != Outcome.READY:
            continue
        need = {f"equipment:{name}": count for name, count in asked.get(unit.design_id, {}).items()}
        for key, label, short, in_stores in _from_stores(unit.shown_result):
            need[key] = short
            names[key] = label
            available[key] = min(available.get(key, in_stores), in_stores)
        needs.append(need)
    return DepotTogether(units[0].home, len(units), ready_together(needs, available), names)


def _from_stores(result: Any) -> Iterable[tuple[str, str, float, float]]:
    """What a kit still lacks and takes from the stores of its depot: key, name, how much, how much lies there."""
    for check in (result or {}).get("checks", ()):
        data = check.get("data") or {}
        if check["key"] == "kit" and check["outcome"] == "fail" and data.get("needed") is not None:
            short = float(data["needed"]) - float(data.get("aboard") or 0)
            subject = check["subject"]
            if short > 0:
                yield f"item:{subject['id']}", str(subject["label"]), short, float(data.get("in_stores") or 0)
