"""What the forms about a unit's body and bank need to know before something is written down."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

from django.db.models import Q
from django.utils import timezone

from fleet.models import BankStay, Certificate, Place, Unit
from fleet.models.designs import CERTIFICATE_RESTS_ON
from fleet.permissions import Rights
from inventory.models import DesignItem, Lot
from inventory.selectors.parts import parts_fitted
from inventory.selectors.spots import day_at

LOTS_OFFERED = 200


def certificates_voided(unit: Unit, touches: Collection[str], day: dt.date) -> list[Certificate]:
    """The certificates in force that a change of `day` voids: issued before it, and resting on what it touches."""
    kinds = [kind for kind, rests_on in CERTIFICATE_RESTS_ON.items() if rests_on & set(touches)]
    return list(
        unit.certificates.counting()
        .filter(Q(expires_on__isnull=True) | Q(expires_on__gte=day), kind__in=kinds, issued_on__lt=day)
        .order_by("kind", "issued_on")
    )


def depots_to_keep(rights: Rights) -> list[Place]:
    """The open depots in which a person may do upkeep."""
    keys = rights.depots("upkeep")
    depots = Place.objects.filter(kind=Place.Kind.DEPOT, closed_on__isnull=True)
    return list(depots if keys is None else depots.filter(pk__in=keys))


def banks_on_shelf(depots: Collection[Place]) -> list[BankStay]:
    """The banks that lie on the shelf of these depots, fit to go into a unit."""
    return list(
        BankStay.objects.current()
        .filter(place__in=[each.pk for each in depots], bank__retired_on__isnull=True)
        .select_related("bank", "place")
        .order_by("place__name", "bank__serial")
    )


def positions_empty(unit: Unit) -> tuple[list[DesignItem], list[Lot]]:
    """The positions of the bill in which nothing is on file, and the latest lots of what belongs there. Three queries."""
    filled = {part.position for part in parts_fitted(unit)}
    today = day_at(unit, timezone.now())
    bill = unit.design.bill.valid_on(today).filter(purpose="fitted").select_related("item")
    empty = [line for line in bill.order_by("position") if line.position not in filled]
    lots = Lot.objects.filter(item__in={line.item_id for line in empty}).select_related("item")
    return empty, list(lots.order_by("item__name", "-pk")[:LOTS_OFFERED])
