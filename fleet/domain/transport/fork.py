"""All packed forms of a fleet on one fork truck: what it can lift at their load centre, and whether the forks fit."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.domain.fit.answers import FullAnswer, answer_forklift
from fleet.domain.fit.forklift import ForkTruck
from fleet.domain.transport.measures import load_of
from fleet.domain.transport.records import FormRecord

FORK_TRUCK = "fork_truck"


def fork_answers(forms: Sequence[FormRecord], truck: ForkTruck) -> list[FullAnswer]:
    """One answer a form. The pockets are asked as soon as anything of the forks is said."""
    forks = (truck.blade_width_mm, truck.blade_length_mm, truck.spread_least_mm, truck.spread_most_mm)
    ask_pockets = any(size is not None for size in forks)
    return [
        answer_forklift(
            load_of(form.measures, form.mass.total_kg, proof_in_date=None), truck, ask_pockets=ask_pockets
        )
        for form in forms
    ]
