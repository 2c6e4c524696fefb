"""How much of an item the fleet really uses, learned from its own deployments against the published figure.

A frame, one row a deployment (or a span of day logs) and item:

    group       integer key: the item, or the item with the kind of source water, whatever is learned together
    used        pieces (base units) used: issued less returned, what is unaccounted for not counted
    exposure    what drives the use: m3 treated, grams of solids taken, burning hours; all rows of a group in one unit

and one prior a group: `prior_mean` use per unit of exposure (1 / typical life), `prior_cv` its relative doubt
(`LifeRange.relative_sd`).

The use is Poisson given a rate, the rate Gamma (Gelman et al., Bayesian Data Analysis, ch. 2; memory). Deployments
differ by more than Poisson: where Pearson's chi-square over its degrees of freedom is above 1, counts and exposures
are divided by it, so that a scattered record moves the prior less (quasi-likelihood; common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats, Ints


@dataclass(frozen=True, slots=True)
class LearnedUse:
    """Use per unit of exposure of each group, arrays of one length: best value, 80 % band, and what it rests on.

    `observations` rows with exposure, `spread` the factor by which they scatter more than Poisson (1: not at all),
    `own_share` the weight of the fleet's own record in the best value (0: the published figure alone). `shape` and
    `rate` are those of the Gamma spread.
    """

    group: Ints
    mean: Floats
    low: Floats
    high: Floats
    observations: Ints
    spread: Floats
    own_share: Floats
    shape: Floats
    rate: Floats


def learn_use(records: pd.DataFrame, priors: pd.DataFrame) -> LearnedUse:
    """Posterior of each row of `priors` (group, prior_mean, prior_cv) from `records`; groups without a record keep
    their prior.

    Raises NotPlannable for negative use or exposure, use without exposure, a group without prior, or a prior that is
    not positive.
    """
    used = records["used"].to_numpy(dtype=np.float64)
    exposure = records["exposure"].to_numpy(dtype=np.float64)
    wrong = ~(used >= 0) | ~(exposure >= 0) | ((used > 0) & (exposure == 0))
    if wrong.any():
        raise NotPlannable(
            "learning.record",
            "Use records, row {row}: {used} used in {exposure} of exposure cannot be. Correct the record or leave it out.",
            row=int(np.flatnonzero(wrong)[0]) + 1,
            used=float(used[wrong][0]),
            exposure=float(exposure[wrong][0]),
        )
    mean = priors["prior_mean"].to_numpy(dtype=np.float64)
    cv = priors["prior_cv"].to_numpy(dtype=np.float64)
    if (~(mean > 0) | ~(cv > 0)).any():
        raise NotPlannable("learning.prior", "A prior needs a mean above 0 and a doubt above 0.")
    groups = priors["group"].to_numpy(dtype=np.int64)
    order = np.argsort(groups)
    asked = records["group"].to_numpy(dtype=np.int64)
    place = np.searchsorted(groups[order], asked) if len(groups) else np.zeros(len(asked), dtype=np.intp)
    if len(asked) and (
        (place >= len(groups)).any() or (groups[order][np.minimum(place, len(groups) - 1)] != asked).any()
    ):
        raise NotPlannable("learning.no_prior", "Use records name a group that has no prior.")
    row = order[place]
    size = len(groups)
    counts = exposure > 0
    number = np.bincount(row[counts], minlength=size)
    total = np.bincount(row, used, minlength=size)
    time = np.bincount(row, exposure, minlength=size)

    with np.errstate(divide="ignore", invalid="ignore"):
        own = total / time
        expected = own[row] * exposure
        terms = np.where(expected > 0, (used - expected) ** 2 / expected, 0.0)
        pearson = np.bincount(row, terms, minlength=size) / np.maximum(number - 1, 1)
    spread = np.where(number > 1, np.maximum(np.nan_to_num(pearson), 1.0), 1.0)
    prior_shape = cv**-2
    shape = prior_shape + total / spread
    rate = prior_shape / mean + time / spread
    band = stats.gamma(shape, scale=1.0 / rate)
    return LearnedUse(
        groups,
        shape / rate,
        np.asarray(band.ppf(0.1)),
        np.asarray(band.ppf(0.9)),
        number.astype(np.int64),
        spread,
        (time / spread) / rate,
        shape,
        rate,
    )
