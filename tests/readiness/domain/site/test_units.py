"""Units and spares for a call: k of n as in section 2.7, and what is missing or hopeless said as such."""

from __future__ import annotations

import numpy as np
import pytest

from readiness.domain.site import redundancy, units
from readiness.domain.site.inputs import Answer, BadSite

ASKED = Answer(75.0, "m3/day", (), ("15 % lost",))


def test_spares_are_the_fewest_that_hold_the_demand() -> None:
    told = units.units_for_call(ASKED, 20.0, 0.92, wanted=0.945)
    # section 2.7: 4 of 5 at 0.92 is 0.946
    assert (told.need, told.spare) == (4, 1)
    assert told.chance == pytest.approx(0.946, abs=5e-4)
    assert told.sentence == "4 and 1 spare; 94.5 % that at least 4 run."
    assert told.assumed == ("15 % lost",)
    more = units.units_for_call(ASKED, 20.0, 0.92, wanted=0.95)
    assert (more.need, more.spare) == (4, 2)
    assert redundancy.k_of_n(5, 4, 0.92) < 0.95 <= redundancy.k_of_n(6, 4, 0.92)
    assert units.units_for_call(ASKED, 20.0, 1.0).spare == 1  # any one may be out
    assert units.units_for_call(ASKED, 20.0, 1.0, least_spare=0).spare == 0


def test_what_is_missing_or_hopeless() -> None:
    gone = units.units_for_call(Answer(None, "m3/day", ("number of people",)), np.nan, None)
    assert gone.sentence == (
        "cannot decide: number of people, output of a unit, chance that a unit runs missing"
    )
    assert (
        units.units_for_call(ASKED, 0.0, 0.9).sentence == "A unit makes no water here: no number is enough."
    )
    assert units.units_for_call(ASKED, 20.0, 0.0).sentence == "Units run too seldom: no number is enough."
    with pytest.raises(BadSite):
        units.units_for_call(ASKED, 20.0, 1.2)
