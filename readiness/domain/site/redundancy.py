"""How likely it is that enough trains or units run: k of n, two trains with what they share.

Formulas 2o to 2q of `reference/water_energy_sites.md`. Two trains share an intake, an array and a battery: the shared parts
set the ceiling.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import stats

from readiness.domain.site.inputs import BadSite, share


def k_of_n(n: int, k: int, p: float) -> float:
    """2q: the chance that at least `k` of `n` independent units run, each with chance `p`. BadSite unless 0 <= k <= n."""
    if not 0 <= k <= n:
        raise BadSite("site.k_of_n", "Of {n} units not {k} can be asked.", n=n, k=k)
    return float(stats.binom.sf(k - 1, n, share("chance that a unit runs", p)))


def availability(mtbf_h: float, mttr_h: float) -> float:
    """2o: share of the time in which a part runs."""
    return mtbf_h / (mtbf_h + mttr_h)


def trains_available(parts: Sequence[float], trains: int, common: float, need: int) -> float:
    """2p: the chance that at least `need` of `trains` equal trains run: each its `parts`, all of them what they share."""
    train = math.prod(float(share("availability of a part", part)) for part in parts)
    return float(share("availability of the shared parts", common)) * k_of_n(trains, need, train)


def spares_for(need: int, p: float, wanted: float, most: int = 50) -> int | None:
    """Units beyond `need` so that the chance of `need` running is at least `wanted`; None if `most` are not enough."""
    share("wanted chance", wanted)
    chances = np.array([k_of_n(need + spare, need, p) for spare in range(most + 1)])
    enough = np.flatnonzero(chances >= wanted)
    return int(enough[0]) if enough.size else None
