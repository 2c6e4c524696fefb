"""Where stock can lie: in a place or aboard a unit, and how sentences say it."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from fleet.lib.dates import find_zone
from fleet.lib.quantities import System, format_number, format_quantity
from fleet.models import Place, Unit
from inventory.models import Item, Movement

Spot = tuple[str, int]  # ("place", id) or ("unit", id)


def spot_of(where: Place | Unit) -> Spot:
    return ("place" if isinstance(where, Place) else "unit", where.pk)


def spots_of(movement: Movement) -> list[tuple[Spot, int]]:
    """Where a movement takes from (sign -1) and puts to (+1). No query."""
    found: list[tuple[Spot, int]] = []
    ends = (
        (-1, movement.from_place_id, movement.from_unit_id),
        (1, movement.to_place_id, movement.to_unit_id),
    )
    for sign, place, unit in ends:
        if place:
            found.append((("place", place), sign))
        elif unit:
            found.append((("unit", unit), sign))
    return found


def spot_name(spot: Spot) -> str:
    """One query."""
    kind, pk = spot
    found: Any = (Place if kind == "place" else Unit)._default_manager.filter(pk=pk).first()
    return str(found)


def spot_zone(spot: Spot) -> str:
    """The time zone of a place, or of a unit's home depot. One query."""
    kind, pk = spot
    if kind == "place":
        zone = Place.objects.filter(pk=pk).values_list("time_zone", flat=True).first()
    else:
        zone = Unit.objects.filter(pk=pk).values_list("home__time_zone", flat=True).first()
    return zone or "UTC"


def day_at(where: Place | Unit, moment: datetime) -> date:
    """The calendar day of a moment where the stock is (for a unit: at its home depot)."""
    zone = where.time_zone if isinstance(where, Place) else where.home.time_zone
    return moment.astimezone(find_zone(zone)).date()


def qty_words(qty: Decimal, item: Item) -> str:
    """A quantity as a sentence says it: ``12`` pieces bare, ``0.5 kg`` with the unit."""
    number = f"{qty.normalize():f}"
    return number if item.whole else f"{number} {item.get_base_unit_display()}"


def qty_text(qty: Decimal | None, item: Item, system: System) -> str:
    """``12`` pieces bare, else with the unit this person chose."""
    if qty is None:
        return ""
    if item.whole:
        return format_number(qty.quantize(Decimal(1)))
    return format_quantity(float(qty), item.base_unit, system, digits=3 if qty % 1 else None)


def spot_value(where: Any) -> str:
    """How a form names a place or a unit."""
    return f"place:{where.code}" if isinstance(where, Place) else f"unit:{where.tag}"


def depot_of(where: Any) -> int:
    """The depot whose rights count: the place itself, or a unit's home."""
    return int(where.pk if isinstance(where, Place) else where.home_id)


def right_to_reverse(movement: Movement) -> tuple[str, int] | None:
    """The right a person needs, and in which depot, to take a movement back: where its reversal takes stock away.

    What only left the ledger (used, scrapped, found missing) comes back, so that there it is where it left. Parts in
    and out of positions, and what went from unit to unit, are work on units, not of the stores. None: it has no end.
    No query when the ends are loaded.
    """
    here = movement.to_place or movement.to_unit or movement.from_place or movement.from_unit
    if here is None:
        return None
    parts = movement.kind in (Movement.Kind.FIT, Movement.Kind.REMOVE)
    between_units = movement.from_unit_id is not None and movement.to_unit_id is not None
    return ("upkeep" if parts or between_units else "stock", depot_of(here))
