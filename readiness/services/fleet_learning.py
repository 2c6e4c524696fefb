"""What the whole fleet teaches of each chemistry, worked out once a day before the units are judged.

A sample of the units, spread evenly, is enough for how readings scatter and how banks lose: the work is bounded and the
queries are constant. A row changes only when what it says moves noticeably, so that a quiet fleet stays quiet.
"""

from __future__ import annotations

import datetime as dt
import logging
import math
from typing import Any

import numpy as np
from django.db import transaction
from django.utils import timezone

from fleet.models import Unit
from readiness.domain.bank_flags import Peers
from readiness.domain.chemistry import chemistry_index
from readiness.domain.learning import learn, noise_of_fleet
from readiness.domain.rate_filter import READING_WAYS
from readiness.domain.reading_noise import NoiseHistory
from readiness.models import ChemistryLearning
from readiness.selectors.fleet_habits import WAYS
from readiness.selectors.snapshot import load_all_banks

log = logging.getLogger(__name__)
SAMPLE_UNITS = 2000
NOTICEABLE = 0.05


def fleet_learning_or_older(*, as_of: dt.date, now: dt.datetime | None = None) -> None:
    """The same before a sweep: what cannot be worked out leaves what is on file, and stops no sweep."""
    try:
        fleet_learning_refresh(as_of=as_of, now=now)
    except Exception:
        log.exception(
            "What the fleet teaches could not be worked out as of %s; what is on file counts.", as_of
        )


def fleet_learning_refresh(*, as_of: dt.date, now: dt.datetime | None = None) -> int:
    """Work out anew what the fleet teaches as of the end of `as_of`, unless that was done for this day or a later one.

    Returns how many chemistries changed.
    """
    if ChemistryLearning.objects.filter(as_of__gte=as_of).exists():
        return 0
    ids = list(Unit.objects.in_service().order_by("pk").values_list("pk", flat=True))
    step = max(math.ceil(len(ids) / SAMPLE_UNITS), 1)
    _rows, banks, events, sites, asked = load_all_banks(ids[::step], as_of)
    if not len(banks):
        return 0
    noise = noise_of_fleet(banks, events, sites, asked)
    standing = NoiseHistory.standing(noise.totals())
    learned = learn(banks, events, sites, asked, noise=standing)
    index = chemistry_index()
    peers = Peers.of(learned, banks.chem, len(index))
    codes = {number: code for code, number in index.items()}
    now = now or timezone.now()
    changed = 0
    with transaction.atomic():
        there = {row.chemistry: row for row in ChemistryLearning.objects.select_for_update()}
        for number in np.unique(banks.chem).tolist():
            row = there.get(codes[number]) or ChemistryLearning(chemistry=codes[number])
            scatter = {
                name: noise.totals()[number * READING_WAYS + way]
                for way, name in enumerate(WAYS)
                if number * READING_WAYS + way in noise.totals()
            }
            said = {
                "scatter": {name: list(sums) for name, sums in scatter.items()},
                "peers": int(peers.count[number]),
                "peer_log_rate": _known(peers.centre[number]),
                "peer_spread": _known(peers.spread[number]),
            }
            if row.pk is None or _moved(row, said, number):
                for name, value in said.items():
                    setattr(row, name, value)
                row.computed_at = now
                changed += 1
            row.as_of = as_of
            row.save()
    return changed


def _moved(row: ChemistryLearning, said: dict[str, Any], number: int) -> bool:
    """Whether what is said differs noticeably from what is on file."""
    if (row.peer_log_rate is None) != (said["peer_log_rate"] is None):
        return True
    if row.peer_log_rate is not None and (
        abs(row.peer_log_rate - said["peer_log_rate"]) > NOTICEABLE
        or abs(math.log(row.peer_spread / said["peer_spread"])) > NOTICEABLE
    ):
        return True
    before, after = (_factors(scatter, number) for scatter in (row.scatter, said["scatter"]))
    return bool(np.any(np.abs(np.log(before / after)) > NOTICEABLE))


def _factors(scatter: dict[str, list[float]], number: int) -> np.ndarray:
    """What noise and bias of each way of reading are multiplied by."""
    group = number * READING_WAYS + np.arange(READING_WAYS)
    sums = {int(group[way]): tuple(scatter[name]) for way, name in enumerate(WAYS) if name in scatter}
    if not sums:
        return np.ones((2, READING_WAYS))
    told = NoiseHistory.standing(sums).at(group, np.zeros(READING_WAYS))
    return np.stack([told.noise, told.bias])


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
