"""All packed forms of a fleet on one fork truck: what it can lift at their load centre, and whether the forks fit.

The truck moves a unit within a yard: neither the law of its goods nor its papers are asked.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fleet.domain.fit.answers import Answer, FleetAnswer
from fleet.domain.fit.checks import settle
from fleet.domain.fit.forklift import ForkTruck, check_forklift
from fleet.domain.fit.loads import LoadColumns, load_columns
from fleet.domain.transport.answers import MODES, ClassArrays, carried_of_fit
from fleet.domain.transport.columns import FleetColumns
from fleet.domain.transport.measures import load_of
from fleet.domain.transport.records import GATES, FormRecord

FORK_TRUCK = "fork_truck"


def asks_pockets(truck: ForkTruck) -> bool:
    """The pockets are asked as soon as anything of the forks is said."""
    sizes = (truck.blade_width_mm, truck.blade_length_mm, truck.spread_least_mm, truck.spread_most_mm)
    return any(size is not None for size in sizes)


def fork_of_loads(loads: LoadColumns, truck: ForkTruck) -> FleetAnswer:
    """n loads on one truck, in arrays of shape (n, 1)."""
    board = check_forklift(loads, truck, ask_pockets=asks_pockets(truck))
    return FleetAnswer((FORK_TRUCK,), settle(board))


def fork_of_columns(columns: FleetColumns, truck: ForkTruck) -> ClassArrays:
    """All packed forms of a fleet on one truck. `law` and `papers` are not asked, and hold nothing against anybody."""
    fit = fork_of_loads(columns.loads, truck)
    law = np.zeros((columns.size, len(MODES)), dtype=np.int8)
    papers = np.zeros((columns.size, len(GATES)), dtype=np.int8)
    return ClassArrays(law, papers, fit, carried_of_fit(fit))


def fork_answers(forms: Sequence[FormRecord], truck: ForkTruck) -> list[Answer]:
    """One answer a form: the fleet of these forms."""
    loads = [load_of(form.measures, form.mass.total_kg, proof_in_date=None) for form in forms]
    found = fork_of_loads(load_columns(loads), truck)
    return [found.answer(place, FORK_TRUCK) for place in range(len(loads))]
