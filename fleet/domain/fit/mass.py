"""The packed mass: what was weighed, every recorded change since, kit, fuel and trapped water, as lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class MassLine:
    """One addition or removal [kg]; None: it happened, and its mass is not known."""

    label: str
    kg: float | None


@dataclass(frozen=True, slots=True)
class PackedMass:
    """The sum with its lines; `total_kg` is None while any line is not known, and `unknown` names those."""

    total_kg: float | None
    lines: tuple[MassLine, ...]

    @property
    def unknown(self) -> tuple[str, ...]:
        return tuple(line.label for line in self.lines if line.kg is None)


def packed_mass(base: MassLine, changes: Sequence[MassLine]) -> PackedMass:
    """Base mass plus every change [kg]. One unknown line makes the total unknown: a heavier unit is never hidden."""
    lines = (base, *changes)
    kg = np.array([line.kg for line in lines], dtype=np.float64)
    (total,) = packed_totals(np.zeros(len(lines), dtype=np.int64), kg, 1).tolist()
    return PackedMass(None if math.isnan(total) else total, lines)


def packed_totals(form: NDArray[np.int64], kg: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """The sums [kg] of the lines of `size` packed forms, nan where any line is not known.

    `form` and `kg` (lines,): which form a line belongs to, and what it adds. Added in the order given, so that one form
    alone has the same sum to the last digit.
    """
    return np.bincount(form, weights=kg, minlength=size).astype(np.float64)
