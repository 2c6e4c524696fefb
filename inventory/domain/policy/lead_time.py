"""How long a supplier takes from order to usable receipt, quarantine included, learned from its receipts.

Gamma of a mean and a spread. An order that is already late is drawn from what is left of the distribution, never 'due
today' for ever.
Prior: the offer's stated lead time, worth `prior_weight` receipts (an assumption); the record of the supplier moves it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from inventory.domain.errors import NotPlannable

# Draws are looked up in a table of so many equally likely lead times.
STEPS = 1024
PRIOR_CV = 0.3
PRIOR_WEIGHT = 3.0


@dataclass(frozen=True, slots=True)
class LeadTime:
    """Mean and spread [days], and the number of receipts it rests on."""

    mean_days: float
    sd_days: float
    receipts: int = 0

    def quantile(self, level: float) -> float:
        """Days within which an order is usable with this probability."""
        if self.sd_days <= 0:
            return self.mean_days
        shape = (self.mean_days / self.sd_days) ** 2
        return float(stats.gamma.ppf(level, shape, scale=self.mean_days / shape))

    def table(self, *, elapsed_days: float = 0.0) -> NDArray[np.int32]:
        """STEPS equally likely numbers of whole days still to wait, given that `elapsed_days` have passed without
        receipt."""
        level = (np.arange(STEPS) + 0.5) / STEPS
        if self.sd_days <= 0 or self.mean_days <= 0:
            left = np.full(STEPS, max(self.mean_days - elapsed_days, 1.0 if elapsed_days else 0.0))
        else:
            shape = (self.mean_days / self.sd_days) ** 2
            spread = stats.gamma(shape, scale=self.mean_days / shape)
            # the upper tail is kept by working with the probability of lasting longer
            left = np.maximum(spread.isf((1.0 - level) * spread.sf(elapsed_days)) - elapsed_days, 0.0)
            if not np.isfinite(left).all():
                # so late that the record says nothing: a lead time more, as a new order would take
                left = spread.ppf(level)
        waited: NDArray[np.int32] = np.ceil(np.round(left, 6)).astype(np.int32)
        return waited


def learn_lead_time(
    receipts_days: Sequence[float], *, stated_days: float, prior_weight: float = PRIOR_WEIGHT
) -> LeadTime:
    """Mean and spread from the stated days, worth `prior_weight` receipts of a 30 % spread, and from the receipts.

    The doubt of the mean is part of the spread, so that a short record gives a wide lead time.
    """
    days = np.asarray(receipts_days, dtype=np.float64)
    if stated_days < 0 or prior_weight <= 0 or (~(days >= 0)).any():
        raise NotPlannable(
            "lead.record",
            "A lead time runs from the order to the usable receipt and cannot be negative. "
            "Correct the dates of the receipt.",
        )
    number = prior_weight + len(days)
    mean = (prior_weight * stated_days + float(days.sum())) / number
    squares = prior_weight * ((PRIOR_CV * stated_days) ** 2 + (stated_days - mean) ** 2) + float(
        ((days - mean) ** 2).sum()
    )
    variance = squares / number
    return LeadTime(mean, float(np.sqrt(variance * (1.0 + 1.0 / number))), len(days))
