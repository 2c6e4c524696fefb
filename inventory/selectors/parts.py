"""Which parts sit where, and which used pieces lie about."""

from __future__ import annotations

from django.db.models import Exists, OuterRef

from fleet.models import Unit
from inventory.models import FittedPart, Lot, Movement


def used_pieces(lot: Lot) -> list[FittedPart]:
    """Removed fittings of a lot whose piece was neither fitted again nor scrapped, the latest first. One query."""
    scrapped = Movement.objects.filter(
        kind=Movement.Kind.SCRAP, reversed_by__isnull=True, fitted_part=OuterRef("pk")
    )
    return list(
        FittedPart.objects.filter(lot=lot, removed_at__isnull=False, void=False, followed_by__isnull=True)
        .exclude(Exists(scrapped))
        .select_related("unit__home", "lot__item")
        .order_by("-removed_at", "-pk")
    )


def parts_fitted(unit: Unit) -> list[FittedPart]:
    """What sits in the positions of a unit now. One query."""
    return list(
        FittedPart.objects.filter(unit=unit, removed_at__isnull=True)
        .select_related("lot__item", "unit")
        .order_by("position")
    )
