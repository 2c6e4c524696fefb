"""Does the ledger explain every balance? Everything is worked out again from the movements alone."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Count, Sum

from inventory.models import Balance, FittedPart, Lot, Movement

Key = tuple[int, int | None, int | None]  # lot, place, unit
Kind = Movement.Kind


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that does not add up: what it is about, what stands in the database, what the movements say."""

    about: str
    stands: Decimal
    explained: Decimal


def balances_from_movements() -> dict[Key, Decimal]:
    """Every balance, recomputed from the movements; zero balances left out. Four queries."""
    sums: dict[Key, Decimal] = defaultdict(Decimal)
    for side, sign in (("from", -1), ("to", 1)):
        for where in ("place", "unit"):
            column = f"{side}_{where}_id"
            rows = (
                Movement.objects.filter(**{f"{side}_{where}__isnull": False})
                .order_by()
                .values_list("lot_id", column)
                .annotate(total=Sum("qty"))
            )
            for lot, spot, total in rows:
                key = (lot, spot, None) if where == "place" else (lot, None, spot)
                sums[key] += sign * total
    return {key: total for key, total in sums.items() if total}


def ledger_differences() -> list[Difference]:
    """What does not add up; empty when all is well."""
    return [*_balances(), *_fitted(), *_serials()]


def _balances() -> list[Difference]:
    explained = balances_from_movements()
    stands: dict[Key, Decimal] = {
        (lot, place, unit): qty
        for lot, place, unit, qty in Balance.objects.order_by().values_list(
            "lot_id", "place_id", "unit_id", "qty"
        )
        if qty
    }
    return [
        Difference(
            f"lot {key[0]} in {'place' if key[1] else 'unit'} {key[1] or key[2]}",
            stands.get(key, Decimal(0)),
            explained.get(key, Decimal(0)),
        )
        for key in sorted(stands.keys() | explained.keys(), key=str)
        if stands.get(key, Decimal(0)) != explained.get(key, Decimal(0))
    ]


def _fitted() -> list[Difference]:
    """Pieces in positions, against fits less removals, and against what was ever brought aboard."""
    in_positions: dict[int, int] = dict(
        FittedPart.objects.filter(removed_at__isnull=True)
        .order_by()
        .values_list("lot_id")
        .annotate(n=Count("pk"))
    )
    net: dict[int, Decimal] = defaultdict(Decimal)
    aboard: dict[int, Decimal] = defaultdict(Decimal)
    rows = Movement.objects.filter(reversed_by__isnull=True).exclude(kind=Kind.REVERSAL).order_by()
    for lot, kind, total in (
        rows.filter(kind__in=[Kind.FIT, Kind.REMOVE]).values_list("lot_id", "kind").annotate(total=Sum("qty"))
    ):
        net[lot] += total if kind == Kind.FIT else -total
    onto = rows.filter(to_unit__isnull=False, from_unit__isnull=True).exclude(kind=Kind.REMOVE)
    for lot, total in onto.values_list("lot_id").annotate(total=Sum("qty")):
        aboard[lot] += total
    found = []
    for lot in sorted(in_positions.keys() | net.keys()):
        stands = Decimal(in_positions.get(lot, 0))
        if stands != net[lot]:
            found.append(Difference(f"pieces of lot {lot} in positions", stands, net[lot]))
        if stands > aboard[lot]:
            found.append(Difference(f"pieces of lot {lot} fitted, brought aboard", stands, aboard[lot]))
    return found


def _serials() -> list[Difference]:
    """A piece with a serial is in one place or position."""
    lots = Lot.objects.filter(item__serialised=True)
    total: dict[int, Decimal] = defaultdict(Decimal)
    for lot, qty in (
        Balance.objects.filter(lot__in=lots).order_by().values_list("lot_id").annotate(n=Sum("qty"))
    ):
        total[lot] += qty
    parts = FittedPart.objects.filter(lot__in=lots, removed_at__isnull=True)
    for lot, pieces in parts.order_by().values_list("lot_id").annotate(n=Count("pk")):
        total[lot] += pieces
    return [
        Difference(f"pieces of serialised lot {lot}", count, Decimal(1))
        for lot, count in sorted(total.items())
        if count > 1
    ]
