"""Which units rest on what their depot holds in stores: those that lack an item, or have a part to replace by one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Set
from typing import Any

from django.db.models import Q

from inventory.models import DesignItem
from readiness.models import Alert

# A check that passes asks nothing of the stores; one that fails is the open matter of one of these rules.
RULES = ("kit_short", "part_missing", "part_life", "fault_open")


def units_resting_on(items: Mapping[int, Set[int]], *, since: dt.datetime | None = None) -> list[int]:
    """Ids of the units whose verdict may change with the stock of these items, by depot. Two queries.

    Found by their open matters, which are written together with their verdicts; `since`: only matters that became open or
    changed after that instant.
    """
    wanted = set().union(*items.values())
    lines = DesignItem.objects.filter(item__in=wanted).values_list("pk", "item_id", "design_id")
    positions, designs = {}, set()
    for line, item, design in lines:
        positions[line] = item
        designs.add(design)
    alerts = Alert.objects.filter(
        Q(about_unit__design__in=designs) | Q(rule="fault_open"),
        depot__in=items,
        rule__in=RULES,
        cleared_at__isnull=True,
        about_unit__retired_on__isnull=True,
    ).order_by("about_unit_id")
    if since is not None:
        alerts = alerts.filter(updated_at__gte=since)
    found: dict[int, None] = {}
    rows = alerts.values_list("about_unit_id", "depot_id", "data")
    for unit, depot, data in rows.iterator(chunk_size=2000):
        if unit is not None and unit not in found and _items_of(data, positions) & items[depot]:
            found[unit] = None
    return list(found)


def _items_of(data: Mapping[str, Any], positions: Mapping[int, int]) -> set[int]:
    """The items that the failing checks of a matter would take."""
    found = set()
    for item in data.get("items", ()):
        if item.get("outcome") != "fail":
            continue
        taken = item.get("id") if item["key"] == "kit" else item.get("item") or positions.get(item.get("id"))
        if taken:
            found.add(int(taken))
    return found
