"""The published conveyance tables as columns of shape (1, m), one column per type.

Sources: `tables/SOURCES.md`. Operators' drawings override: build a table from rows of your own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from fleet.lib.errors import DomainError
from fleet.lib.tables import Row, read_table

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
TABLES = "fleet.domain.tables"


@dataclass(frozen=True, slots=True)
class ConveyanceTable:
    """m types of one class: numbers [unit of the name] with nan for not known, and words."""

    keys: tuple[str, ...]
    numbers: dict[str, FloatArray]
    words: dict[str, tuple[str, ...]]

    def __len__(self) -> int:
        return len(self.keys)

    def __getitem__(self, name: str) -> FloatArray:
        return self.numbers[name]

    def given(self, name: str) -> BoolArray:
        return ~np.isnan(self.numbers[name])

    def is_word(self, name: str, *words: str) -> BoolArray:
        return np.array([[word in words for word in self.words[name]]], dtype=np.bool_)

    def pick(self, keys: Sequence[str]) -> ConveyanceTable:
        places = [self.keys.index(key) for key in keys]
        return ConveyanceTable(
            tuple(keys),
            {name: column[:, places] for name, column in self.numbers.items()},
            {name: tuple(words[place] for place in places) for name, words in self.words.items()},
        )


def table_of(
    rows: Iterable[Mapping[str, str]], numbers: Sequence[str], words: Sequence[str]
) -> ConveyanceTable:
    """A table from rows of text. Raises DomainError naming row and column of a number that cannot be read."""
    kept = list(rows)
    return ConveyanceTable(
        tuple(row["key"] for row in kept),
        {name: np.array([[_number(row, name) for row in kept]], dtype=np.float64) for name in numbers},
        {name: tuple(row[name] for row in kept) for name in words},
    )


def _number(row: Mapping[str, str], name: str) -> float:
    if isinstance(row, Row):
        value = row.optional_number(name)
        return float("nan") if value is None else value
    try:
        return float(row[name]) if row[name].strip() else float("nan")
    except (KeyError, ValueError):
        raise DomainError(
            "conveyance.bad_number",
            "Conveyance '{key}', column '{name}': '{value}' is not a number.",
            key=row.get("key", "?"),
            name=name,
            value=row.get(name, ""),
        ) from None


CONTAINER_NUMBERS = (
    "ext_length_mm",
    "int_length_mm",
    "int_width_mm",
    "int_height_mm",
    "door_width_mm",
    "door_height_mm",
    "roof_open_length_mm",
    "roof_open_width_mm",
    "open_sides",
    "payload_kg",
    "line_load_kg_per_m",
    "forklift_axle_kg",
)
AIRCRAFT_NUMBERS = (
    "max_payload_kg",
    "hold_length_mm",
    "hold_width_mm",
    "hold_height_mm",
    "door_width_mm",
    "door_height_mm",
    "floor_kg_per_m2",
    "payload1_kg",
    "range1_km",
    "payload2_kg",
    "range2_km",
    "runway_m",
    "unpaved",
    "uld_contour_mm",
    "needs_high_loader",
)
ULD_NUMBERS = (
    "base_length_mm",
    "base_width_mm",
    "usable_length_mm",
    "usable_width_mm",
    "tare_kg",
    "max_gross_kg",
    "max_load_kg",
    "height_main_96in_mm",
    "height_main_118in_mm",
)
HELICOPTER_NUMBERS = ("hook_limit_kg", "sling_sl_isa_kg", "sling_2000m_isa20_kg", "radius_km")
DECK_NUMBERS = ("deck_length_mm", "deck_width_mm", "deck_height_mm", "payload_kg")
TOW_NUMBERS = (
    "kerb_kg",
    "gvwr_kg",
    "gcwr_kg",
    "tow_braked_kg",
    "tow_unbraked_kg",
    "coupling_vertical_max_kg",
)


@cache
def containers() -> ConveyanceTable:
    return table_of(read_table(TABLES, "containers"), CONTAINER_NUMBERS, ("name",))


@cache
def aircraft() -> ConveyanceTable:
    return table_of(read_table(TABLES, "aircraft"), AIRCRAFT_NUMBERS, ("designator", "loading", "ramp"))


@cache
def ulds() -> ConveyanceTable:
    return table_of(read_table(TABLES, "ulds"), ULD_NUMBERS, ("code",))


@cache
def helicopters() -> ConveyanceTable:
    return table_of(read_table(TABLES, "helicopters"), HELICOPTER_NUMBERS, ("designator",))


@cache
def decks() -> ConveyanceTable:
    rows = [row for row in read_table(TABLES, "road_vehicles") if row["kind"] != "tow"]
    return table_of(rows, DECK_NUMBERS, ("name", "jurisdiction"))


@cache
def tow_vehicles() -> ConveyanceTable:
    rows = [row for row in read_table(TABLES, "road_vehicles") if row["kind"] == "tow"]
    return table_of(rows, TOW_NUMBERS, ("name", "jurisdiction"))


@cache
def road_limit(key: str) -> float:
    """One value of `road_limits.csv` in its unit."""
    for row in read_table(TABLES, "road_limits"):
        if row["key"] == key:
            return row.number("value")
    raise DomainError("road_limit.unknown", "There is no road limit '{key}'.", key=key)
