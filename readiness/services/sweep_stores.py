"""Lots in a depot's stores that are expired or about to be: open matters of procurement."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from typing import Any

from django.db.models import Q
from django.utils import timezone

from fleet.models import DepotTerms, Place
from fleet.models.office import Role
from inventory.models import Balance, Lot
from readiness.models import Alert
from readiness.services.sweep_alerts import (
    COMING,
    COST,
    DEFAULT_LOOKAHEAD_DAYS,
    LATE,
    NOW,
    STAGE_WEIGHT,
    is_worse,
)

RULE = "lot_stores"


def sweep_stores(
    *,
    depot: Place,
    as_of: dt.date,
    now: dt.datetime | None = None,
    lots: Collection[int] | None = None,
) -> tuple[int, int]:
    """Raise, update and clear the alerts about lots in stores: all, or those of `lots` (keys) after these changed.

    Returns how many were raised and cleared.
    """
    now = now or timezone.now()
    terms = DepotTerms.objects.valid_on(as_of).filter(place=depot).first()
    ahead = as_of + dt.timedelta(days=int(terms.lookahead_days if terms else DEFAULT_LOOKAHEAD_DAYS))
    held = Balance.objects.filter(place=depot, qty__gt=0).select_related("lot", "lot__item")
    ending = held.filter(Q(lot__expires_on__lte=ahead) | ~Q(lot__status=Lot.Status.GOOD))
    there_now = Alert.objects.filter(rule=RULE, place=depot, cleared_at__isnull=True)
    if lots is not None:
        ending, there_now = ending.filter(lot__in=lots), there_now.filter(lot__in=lots)
    wanted = {f"lot:{balance.lot_id}@{depot.pk}": balance for balance in ending}
    open_alerts = {alert.subject_key: alert for alert in there_now}
    cleared = [alert for key, alert in open_alerts.items() if key not in wanted]
    for alert in cleared:
        alert.cleared_at, alert.cleared_by = now, "stores"
    raised: list[Alert] = []
    updated: list[Alert] = []
    for key, balance in wanted.items():
        fresh = _fields(balance, depot, as_of)
        there = open_alerts.get(key)
        if there is None:
            raised.append(
                Alert(
                    rule=RULE,
                    subject_key=key,
                    lot=balance.lot,
                    place=depot,
                    raised_at=now,
                    updated_at=now,
                    **fresh,
                )
            )
        elif any(getattr(there, name) != value for name, value in fresh.items()):
            if is_worse(there, fresh):
                there.worsened_at, there.snoozed_until = now, None
            for name, value in fresh.items():
                setattr(there, name, value)
            there.updated_at = now
            updated.append(there)
    Alert.objects.bulk_update(cleared, ["cleared_at", "cleared_by"], batch_size=500)
    Alert.objects.bulk_update(
        updated,
        [
            "data",
            "cost_of_delay",
            "due_on",
            "too_late_on",
            "owner_role",
            "updated_at",
            "worsened_at",
            "snoozed_until",
        ],
        batch_size=200,
    )
    Alert.objects.bulk_create(raised, batch_size=500)
    return len(raised), len(cleared)


def _fields(balance: Balance, depot: Place, as_of: dt.date) -> dict[str, Any]:
    lot = balance.lot
    ends = lot.expires_on
    usable = lot.status == Lot.Status.GOOD
    stage = LATE if ends is not None and ends < as_of else (NOW if not usable else COMING)
    item = {
        "key": RULE,
        "label": f"{lot.item.name} {lot.code}",
        "qty": float(balance.qty),
        "unit": lot.item.base_unit,
        "status": lot.status,
        "due_on": ends.isoformat() if ends else None,
        "stage": stage,
    }
    return {
        "data": {"items": [item]},
        "cost_of_delay": round(COST[RULE] * STAGE_WEIGHT[stage], 2),
        "due_on": ends,
        "too_late_on": ends + dt.timedelta(days=1) if ends else None,
        "owner_role": Role.PROCUREMENT,
        "depot": depot,
    }
