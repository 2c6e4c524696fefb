"""What is carried: one packed form of one unit. None always means: not known, and never reads as a fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleet.lib.errors import DomainError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Load:
    """One packed form as it stands on the ground. Lengths in mm, masses in kg.

    `cg_offset_mm` is the distance of the centre of gravity from the middle of the box it is stowed in, lengthways, once
    stowed. `bearing_length_mm` and `bearing_area_m2` are those of beams or boards put under it. `tongue_kg` is the load on
    the coupling, `trailer_gvwr_kg` the gross mass on the plate of the trailer. `point_run_mm` is the measured horizontal
    distance from a lifting point to the plumb line under the hook; without it half the diagonal of the points counts.
    `near_point_run_mm` is that of the nearest point, `near_point_share` the largest part of the mass that may hang on it.
    `boxed`: it is a freight container of its own, of which `plate_in_date` and `container_gross_kg` say what its safety
    plate does; `csc_valid` is about a container it is stowed in. `on_wheels`: it stands on those of its trailer.
    """

    length_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    mass_kg: float | None = None
    no_rotate: bool = False
    cg_offset_mm: float | None = None
    bearing_length_mm: float | None = None
    bearing_area_m2: float | None = None
    csc_valid: bool | None = None
    proof_in_date: bool | None = None
    braked: bool | None = None
    tongue_kg: float | None = None
    trailer_gvwr_kg: float | None = None
    axle_count: float | None = None
    axle_load_kg: float | None = None
    axle_spacing_mm: float | None = None
    lift_points: float | None = None
    lift_point_wll_kg: float | None = None
    point_length_mm: float | None = None
    point_width_mm: float | None = None
    point_run_mm: float | None = None
    near_point_run_mm: float | None = None
    near_point_share: float | None = None
    cg_above_points_mm: float | None = None
    half_width_mm: float | None = None
    fork_pocket_spacing_mm: float | None = None
    fork_pocket_width_mm: float | None = None
    load_centre_mm: float | None = None
    on_wheels: bool | None = None
    boxed: bool | None = None
    plate_in_date: bool | None = None
    container_gross_kg: float | None = None


POSITIVE = (
    "length_mm",
    "width_mm",
    "height_mm",
    "mass_kg",
    "bearing_length_mm",
    "bearing_area_m2",
    "trailer_gvwr_kg",
    "axle_count",
    "axle_load_kg",
    "axle_spacing_mm",
    "point_length_mm",
    "point_width_mm",
    "point_run_mm",
    "half_width_mm",
    "fork_pocket_spacing_mm",
    "fork_pocket_width_mm",
    "load_centre_mm",
    "container_gross_kg",
)
NOT_NEGATIVE = ("tongue_kg", "lift_points", "lift_point_wll_kg", "near_point_run_mm", "near_point_share")
ANY_SIGN = ("cg_offset_mm", "cg_above_points_mm")
ANSWERS = ("csc_valid", "proof_in_date", "braked", "on_wheels", "boxed", "plate_in_date")


@dataclass(frozen=True, slots=True)
class LoadColumns:
    """n loads as columns of shape (n, 1): numbers with nan for not known, answers as 1, 0 or nan."""

    size: int
    numbers: dict[str, FloatArray]
    may_turn: BoolArray

    def __getitem__(self, name: str) -> FloatArray:
        return self.numbers[name]

    def yes(self, name: str) -> BoolArray:
        return np.equal(self.numbers[name], 1.0)

    def known(self, name: str) -> BoolArray:
        return ~np.isnan(self.numbers[name])

    def rows(self, start: int, stop: int) -> LoadColumns:
        numbers = {name: column[start:stop] for name, column in self.numbers.items()}
        may_turn = self.may_turn[start:stop]
        return LoadColumns(len(may_turn), numbers, may_turn)


def load_columns(loads: Sequence[Load]) -> LoadColumns:
    """Columns of n loads. Raises DomainError naming load, field and mend for a size or mass that cannot be."""
    numbers = {name: _column(loads, name) for name in POSITIVE + NOT_NEGATIVE + ANY_SIGN + ANSWERS}
    for names, least in ((POSITIVE, "more than 0"), (NOT_NEGATIVE, "0 or more")):
        for name in names:
            _refuse_bad(numbers[name], name, least)
    may_turn = np.array([not load.no_rotate for load in loads], dtype=np.bool_).reshape(-1, 1)
    return LoadColumns(len(loads), numbers, may_turn)


def _column(loads: Sequence[Load], name: str) -> FloatArray:
    values: list[Any] = list(map(attrgetter(name), loads))
    try:
        # numpy turns None into nan by itself when floats are asked for
        column = np.array(values, dtype=np.float64)
    except (TypeError, ValueError):
        place = next(place for place, value in enumerate(values) if not _number_or_none(value))
        raise DomainError(
            "fit.not_a_number",
            "Load {place}, {name}: '{value}' is not a number.",
            place=place + 1,
            name=name,
            value=values[place],
        ) from None
    return column.reshape(-1, 1)


def _number_or_none(value: Any) -> bool:
    return value is None or isinstance(value, int | float)


def _refuse_bad(column: FloatArray, name: str, least: str) -> None:
    bad = (column <= 0 if least == "more than 0" else column < 0) | np.isinf(column)
    if bad.any():
        place = int(np.argmax(bad))
        raise DomainError(
            "fit.number_bad",
            "Load {place}, {name}: {value} cannot be; write a number that is {least}.",
            place=place + 1,
            name=name,
            value=float(column[place, 0]),
            least=least,
        )
