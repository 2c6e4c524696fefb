"""The packed mass: what was weighed, every recorded change since, kit, fuel and trapped water, as lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


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
    known = [line.kg for line in lines if line.kg is not None]
    return PackedMass(sum(known) if len(known) == len(lines) else None, lines)
