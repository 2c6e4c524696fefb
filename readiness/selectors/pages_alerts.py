"""Open matters as Today and the alert list show them: ordered by what it costs to leave them undone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db.models import F, Q, QuerySet

from fleet.models import Place, User
from fleet.models.office import Role
from inventory.models import Balance, Item, PartDebt
from inventory.selectors.debts import debts_shown
from readiness.models import Alert, Task

# The roles to which the sweep gives matters (`owner_role`).
OWNING_ROLES = frozenset({Role.DEPOT_MANAGER.value, Role.PROCUREMENT.value})


def alerts_shown() -> QuerySet[Alert]:
    """All alerts with what a line needs, so that a list of any length is one query."""
    return Alert.objects.select_related(
        "about_unit",
        "about_unit__home",
        "depot",
        "taken_by",
        "acknowledged_by",
        "bank",
        "certificate",
        "lot",
        "lot__item",
        "item",
        "place",
    )


def in_order_of_cost(alerts: QuerySet[Alert]) -> QuerySet[Alert]:
    return alerts.order_by(F("cost_of_delay").desc(), F("too_late_on").asc(nulls_last=True), "due_on", "pk")


def put_off(today: dt.date) -> Q:
    """Alerts out of sight today: put off to a later day, and not yet too late; from that day on no snooze counts."""
    in_time = Q(too_late_on__isnull=True) | Q(too_late_on__gt=today)
    return Q(snoozed_until__isnull=False, snoozed_until__gt=today) & in_time


def owning(roles: Iterable[str]) -> list[str]:
    """Those of a person's roles to which matters are given. None of them: this person only looks on, at everyone's."""
    return sorted(set(roles) & OWNING_ROLES)


def alerts_of_today(*, today: dt.date, depot: Place | None, roles: Iterable[str] = ()) -> QuerySet[Alert]:
    """Open, not put off, of the depot in view (or all), for any of the roles (or everyone)."""
    found = alerts_shown().filter(cleared_at__isnull=True)
    found = found.exclude(put_off(today))
    if depot is not None:
        found = found.filter(depot=depot)
    if roles := list(roles):
        found = found.filter(owner_role__in=roles)
    return in_order_of_cost(found)


def snoozed_count(*, today: dt.date, depot: Place | None) -> int:
    found = Alert.objects.filter(put_off(today), cleared_at__isnull=True)
    return (found.filter(depot=depot) if depot is not None else found).count()


def tasks_open(*, depot: Place | None, user: User) -> QuerySet[Task]:
    """Work people wrote down: in the depot in view, and what this person took anywhere."""
    found = Task.objects.filter(state=Task.State.OPEN).select_related("unit", "unit__home", "taken_by")
    if depot is not None:
        found = found.filter(Q(unit__home=depot) | Q(taken_by=user))
    return found.order_by(F("due_on").asc(nulls_last=True), "pk")


@dataclass(frozen=True)
class Settling:
    """What the links that settle matters of stock must name: debts and items by id, what lies aboard by unit and lot."""

    debts: dict[int, PartDebt] = field(default_factory=dict)
    items: dict[int, Item] = field(default_factory=dict)
    aboard: dict[tuple[int, int], Balance] = field(default_factory=dict)


def items_of(alert: Alert) -> list[dict[str, Any]]:
    """What an alert is about, one entry a fact."""
    return list(alert.data.get("items") or ())


def settling_of(alerts: Sequence[Alert]) -> Settling:
    """At most three queries for any number of alerts; none where no matter of stock is among them."""
    by_rule: dict[str, list[tuple[Alert, dict[str, Any]]]] = {}
    for alert in alerts:
        for item in items_of(alert):
            by_rule.setdefault(alert.rule, []).append((alert, item))
    debts = {int(item.get("id", 0)) for _alert, item in by_rule.get("debt", ())}
    items = {int(item.get("id", 0)) for _alert, item in by_rule.get("kit_short", ())}
    aboard = [
        (alert.about_unit_id, int(item["lot"]))
        for alert, item in by_rule.get("lots_aboard", ())
        if item.get("lot") and alert.about_unit_id
    ]
    return Settling(
        debts={row.pk: row for row in debts_shown(depot=None).filter(pk__in=debts, settled_at__isnull=True)}
        if debts
        else {},
        items=Item.objects.in_bulk(items) if items else {},
        aboard=_aboard(aboard),
    )


def _aboard(pairs: Sequence[tuple[int, int]]) -> dict[tuple[int, int], Balance]:
    if not pairs:
        return {}
    rows = Balance.objects.filter(
        unit_id__in={unit for unit, _lot in pairs}, lot_id__in={lot for _unit, lot in pairs}, qty__gt=0
    ).select_related("lot__item")
    return {(row.unit_id, row.lot_id): row for row in rows if row.unit_id is not None}
