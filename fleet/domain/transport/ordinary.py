"""What a packed form cannot measure, and what is more often a slip of the pen or another unit of measure than true.

What cannot be is refused; what is out of the ordinary is asked about, and stands once somebody measured it twice and said
so. The bounds are common practice, no source; the density of steel, 7,850 kg/m3, is a handbook value.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from fleet.lib.errors import DomainError

LIGHTEST_KG = 50.0
TONNES = (400.0, 2500.0)  # kilograms of the catalogue for one typed: tonnes typed as kilograms
MASS_FACTOR = 2.0  # a pound is 0.45 kg: masses typed in the other one of the two lie outside
FORMS_FACTOR = 6.0  # a container or trailer may weigh more than what it carries
LEAST_KG_M3, MOST_KG_M3 = 10.0, 7850.0
SHORTEST_MM = 300.0
SLING_LEGS = 4
_MORE_THAN_0 = frozenset({"length_mm", "width_mm", "height_mm", "mass_kg"})

# A measure, and the outer measures it cannot be larger than.
_INSIDE: tuple[tuple[tuple[str, ...], tuple[str, ...], str], ...] = (
    (("cog_x_mm",), ("length_mm",), "The centre of gravity lies {value} mm from the front of a form of {most} mm."),
    (("cog_y_mm",), ("width_mm",), "The centre of gravity lies {value} mm from the left of a form of {most} mm."),
    (("cog_z_mm",), ("height_mm",), "The centre of gravity lies {value} mm above the base of a form of {most} mm."),
    (
        ("point_front_mm", "point_length_mm"),
        ("length_mm",),
        "The lifting points end {value} mm from the front of a form of {most} mm.",
    ),
    (
        ("point_left_mm", "point_width_mm"),
        ("width_mm",),
        "The lifting points end {value} mm from the left of a form of {most} mm.",
    ),
    (
        ("fork_pocket_spacing_mm",),
        ("length_mm", "width_mm"),
        "The fork pockets are {value} mm apart on a form of {most} mm.",
    ),
    (("load_centre_mm",), ("length_mm", "width_mm"), "The load centre for forks is {value} mm deep in {most} mm."),
    (("axle_spacing_mm",), ("length_mm",), "The axles are {value} mm apart on a form of {most} mm."),
    (("tongue_load_kg",), ("mass_kg",), "The tongue bears {value} kg of a form of {most} kg."),
)  # fmt: skip

_OF_MASS = frozenset({"mass_kg", "tongue_load_kg"})  # the pair of _INSIDE that is about the mass


def measure_faults(
    measures: Mapping[str, Any], changed: Collection[str] | None = None
) -> Iterator[tuple[str, DomainError]]:
    """What cannot be: each measure it is about, and why. `measures` by name of FormMeasures [mm, kg]; None: not known.

    `changed`: only what one of these has to do with (None: everything).
    """
    for name, value in measures.items():
        if _number(value) is None or not _is_asked(changed, name):
            continue
        if value < 0 or (value == 0 and name in _MORE_THAN_0):
            template = "{value} is not more than 0." if name in _MORE_THAN_0 else "{value} is less than 0."
            yield (
                name,
                DomainError("form.negative", f"{template} Type what was measured.", value=f"{value:g}"),
            )
    for parts, outer, template in _INSIDE:
        known = [_number(measures.get(name)) for name in (*parts, *outer)]
        if any(value is None for value in known) or not _is_asked(changed, *parts, *outer):
            continue
        numbers = [float(value or 0.0) for value in known]
        value, most = sum(numbers[: len(parts)]), max(numbers[len(parts) :])
        if value > most:
            names = (*parts, *outer)
            yield (
                next((name for name in names if changed is not None and name in changed), names[0]),
                DomainError(
                    "form.outside",
                    template + " Measure again, and mend the one that is wrong.",
                    value=f"{value:g}",
                    most=f"{most:g}",
                ),
            )


def measure_problems(
    measures: Mapping[str, Any],
    changed: Collection[str] | None = None,
    *,
    confirmed: bool,
    listed_kg: float | None = None,
    other_forms_kg: Collection[float] = (),
) -> Iterator[tuple[str, DomainError]]:
    """What is refused; where nothing is, what is asked about unless it is `confirmed`: measured twice.

    A mass that is asked about is asked about first: what it does not agree with is told once it is confirmed.
    Arguments as in `measure_doubts`.
    """
    faults = list(measure_faults(measures, changed))
    doubts = (
        []
        if confirmed
        else list(measure_doubts(measures, changed, listed_kg=listed_kg, other_forms_kg=other_forms_kg))
    )
    if any(name == "mass_kg" for name, _error in doubts):
        faults = [fault for fault in faults if fault[0] not in _OF_MASS or fault[1].key != "form.outside"]
    yield from faults or doubts


def measure_doubts(
    measures: Mapping[str, Any],
    changed: Collection[str] | None = None,
    *,
    listed_kg: float | None = None,
    other_forms_kg: Collection[float] = (),
) -> Iterator[tuple[str, DomainError]]:
    """What is out of the ordinary: each measure it is about, and why. `measures` and `changed` as in `measure_faults`.

    `listed_kg`: mass of the same form by its design; `other_forms_kg`: masses of the other forms of the design.
    """
    points = _number(measures.get("lifting_points"))
    if points is not None and points < SLING_LEGS and _is_asked(changed, "lifting_points"):
        yield (
            "lifting_points",
            DomainError(
                "form.few_points",
                "{points} lifting points are fewer than the {legs} legs of a sling.",
                points=f"{points:g}",
                legs=SLING_LEGS,
            ),
        )
    for name in ("length_mm", "width_mm", "height_mm"):
        side = _number(measures.get(name))
        if side is not None and 0 <= side < SHORTEST_MM and _is_asked(changed, name):
            yield (
                name,
                DomainError(
                    "form.short",
                    "{value} mm is less than {least} mm. Was it typed in another unit of measure?",
                    value=f"{side:g}",
                    least=f"{SHORTEST_MM:g}",
                ),
            )
    mass_kg = _number(measures.get("mass_kg"))
    if mass_kg is not None and _is_asked(changed, "mass_kg", "length_mm", "width_mm", "height_mm"):
        error = _odd_mass(mass_kg, measures, listed_kg, other_forms_kg)
        if error is not None:
            yield "mass_kg", error


def _odd_mass(
    mass_kg: float, measures: Mapping[str, Any], listed_kg: float | None, other_forms_kg: Collection[float]
) -> DomainError | None:
    sides = [_number(measures.get(name)) for name in ("length_mm", "width_mm", "height_mm")]
    if listed_kg is not None and not listed_kg / MASS_FACTOR <= mass_kg <= listed_kg * MASS_FACTOR:
        if mass_kg > 0 and TONNES[0] <= listed_kg / mass_kg <= TONNES[1]:
            return _mass_error(
                "form.mass_listed",
                "{mass} kg for a form whose catalogue mass is {other} kg: is the unit right? It looks like tonnes typed "
                "as kilograms.",
                mass_kg,
                listed_kg,
                ask="",
            )
        return _mass_error(
            "form.mass_listed", "{mass} kg against {other} kg in the catalogue.", mass_kg, listed_kg
        )
    if mass_kg < LIGHTEST_KG:
        return _mass_error("form.light", "{mass} kg is less than {other} kg.", mass_kg, LIGHTEST_KG)
    if (
        other_forms_kg
        and not min(other_forms_kg) / FORMS_FACTOR <= mass_kg <= max(other_forms_kg) * FORMS_FACTOR
    ):
        far = min(other_forms_kg, key=lambda other: abs(other - mass_kg))
        return _mass_error(
            "form.mass_others", "{mass} kg against {other} kg of another form of the design.", mass_kg, far
        )
    if all(side for side in sides):
        volume_m3 = 1e-9 * float(sides[0] or 0) * float(sides[1] or 0) * float(sides[2] or 0)
        if not LEAST_KG_M3 <= mass_kg / volume_m3 <= MOST_KG_M3:
            return _mass_error("form.density", "{mass} kg in {other} m³.", mass_kg, volume_m3)
    return None


def _mass_error(
    key: str,
    template: str,
    mass_kg: float,
    other: float,
    ask: str = " Was it typed in another unit of measure?",
) -> DomainError:
    return DomainError(
        key,
        template + ask,
        mass=f"{mass_kg:.4g}" if mass_kg < 1000 else f"{mass_kg:.0f}",
        other=f"{other:.3g}" if other < 1000 else f"{other:.0f}",
    )


def _number(value: Any) -> float | None:
    return None if value is None or isinstance(value, bool) or not isinstance(value, int | float) else value


def _is_asked(changed: Collection[str] | None, *names: str) -> bool:
    return changed is None or any(name in changed for name in names)
