"""What the forms about a unit's body and bank need to know before something is written down."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

from django.db.models import Q

from fleet.models import BankStay, Certificate, Place, Unit
from fleet.models.designs import CERTIFICATE_RESTS_ON
from fleet.permissions import Rights


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
