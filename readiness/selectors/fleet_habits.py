"""What the whole fleet teaches of each chemistry, as last worked out: how readings scatter, how its banks lose."""

from __future__ import annotations

import numpy as np

from readiness.domain.bank_flags import Peers
from readiness.domain.bank_forecast import FleetHabits
from readiness.domain.chemistry import chemistry_index
from readiness.domain.rate_filter import READING_WAYS
from readiness.domain.reading_noise import NoiseHistory
from readiness.models import ChemistryLearning

WAYS = ("voltage", "gravity", "meter")


def fleet_habits() -> FleetHabits:
    """One query."""
    index = chemistry_index()
    sums: dict[int, list[float]] = {}
    peers = Peers.none(len(index))
    for row in ChemistryLearning.objects.all():
        number = index.get(row.chemistry)
        if number is None:
            continue
        for way, name in enumerate(WAYS):
            if name in row.scatter:
                sums[number * READING_WAYS + way] = [float(part) for part in row.scatter[name]]
        peers.count[number] = row.peers
        peers.centre[number] = np.nan if row.peer_log_rate is None else row.peer_log_rate
        peers.spread[number] = np.nan if row.peer_spread is None else row.peer_spread
    return FleetHabits(NoiseHistory.standing(sums) if sums else None, peers)
