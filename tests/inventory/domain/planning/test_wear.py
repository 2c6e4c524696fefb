"""Life of fitted parts: published laws, hand-worked plans, edges in pairs, all at once against one by one, learning."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.domain.errors import NotPlannable
from inventory.domain.fefo import Floats
from inventory.domain.wear import chemicals, filters, lamps
from inventory.domain.wear.learning import learn_use
from inventory.domain.wear.life_table import life_range, life_ranges
from inventory.domain.wear.remaining import (
    HOURS,
    MONTHS,
    NO_LIMIT,
    SOLIDS,
    VOLUME,
    Parts,
    remaining_life,
)

TODAY = np.datetime64("2026-11-25")
NAN = float("nan")


def parts(*rows: dict[str, Any]) -> Parts:
    base = {
        "unit": 1,
        "limit_h": NAN,
        "used_h": 0.0,
        "limit_m3": NAN,
        "used_m3": 0.0,
        "limit_g": NAN,
        "used_g": 0.0,
        "last_day": np.datetime64("NaT", "D"),
        "hours_per_start_h": 0.0,
        "g_per_m3_ntu": 1.5,
        "reaches": 1.0,
        "ntu": NAN,
        "low_factor": 1.0,
        "high_factor": 1.0,
        "known": True,
    }
    columns = {
        name: np.array([{**base, **row}[name] for row in rows], dtype=bool if name == "known" else None)
        for name in base
    }
    return Parts(**columns)


def plan(*rows: tuple[Any, ...]) -> pd.DataFrame:
    """(unit, first day, last day from today, h, m3, starts a day, NTU)."""
    frame = pd.DataFrame(
        rows, columns=["unit", "first", "last", "h_per_day", "m3_per_day", "starts_per_day", "ntu"]
    )
    start = pd.Timestamp(TODAY)
    frame["first_day"] = start + pd.to_timedelta(frame["first"], unit="D")
    frame["last_day"] = start + pd.to_timedelta(frame["last"], unit="D")
    return frame


def days_on(day: np.datetime64) -> int | None:
    return None if np.isnat(day) else int((day - TODAY).astype(int))


def test_a_lamp_rests_between_two_deployments() -> None:
    """100 h left at 20 h a day: 3 days now (60 h), the rest after a pause, reached at the end of the 2nd day of that."""
    told = remaining_life(
        parts({"limit_h": 9000.0, "used_h": 8900.0}),
        plan((1, 0, 2, 20, 0, 0, NAN), (1, 30, 60, 20, 0, 0, NAN)),
        as_of=TODAY,
    )
    assert days_on(told.due[0]) == 32
    assert told.limit[0] == HOURS
    assert told.left_share[0] == pytest.approx(100 / 9000)


def test_starts_cost_life() -> None:
    lamp = {"limit_h": 1000.0, "used_h": 940.0, "hours_per_start_h": 1.0}
    assert days_on(remaining_life(parts(lamp), plan((1, 0, 99, 8, 0, 2, NAN)), as_of=TODAY).due[0]) == 6
    assert days_on(remaining_life(parts(lamp), plan((1, 0, 99, 8, 0, 0, NAN)), as_of=TODAY).due[0]) == 7


def test_the_limit_that_comes_first_is_named() -> None:
    span = plan((1, 0, 400, 8, 20, 0, 40))
    rows = (
        ({"limit_h": 800.0, "limit_m3": 10_000.0}, HOURS, 100),
        ({"limit_h": 800.0, "limit_m3": 1_000.0}, VOLUME, 50),
        ({"limit_m3": 1_000.0, "limit_g": 12_000.0}, SOLIDS, 10),
        ({"limit_h": 8000.0, "last_day": TODAY + 7}, MONTHS, 7),
        ({}, NO_LIMIT, None),
    )
    told = remaining_life(parts(*(row for row, _, _ in rows)), span, as_of=TODAY)
    assert [int(limit) for limit in told.limit] == [limit for _, limit, _ in rows]
    assert [days_on(day) for day in told.due] == [day for _, _, day in rows]


def test_what_is_over_is_due_today_and_what_is_exactly_reached_too() -> None:
    told = remaining_life(
        parts(
            {"limit_h": 100.0, "used_h": 100.0},
            {"limit_h": 100.0, "used_h": 99.9},
            {"last_day": TODAY - 1},
        ),
        plan((1, 5, 9, 1, 0, 0, NAN)),
        as_of=TODAY,
    )
    assert [days_on(day) for day in told.due] == [0, 5, 0]


def test_the_band_has_its_early_end_first_and_unknown_use_is_not_decided() -> None:
    told = remaining_life(
        parts(
            {"limit_m3": 100.0, "low_factor": 0.5, "high_factor": 2.1},
            {"limit_m3": 100.0, "known": False},
            {"limit_g": 100.0},
            {"limit_g": 100.0, "ntu": 1.0},
        ),
        plan((1, 0, 99, 0, 2, 0, NAN)),
        as_of=TODAY,
    )
    assert [days_on(day) for day in (told.low[0], told.due[0], told.high[0])] == [25, 50, None]
    assert told.decided.tolist() == [True, False, False, True]


def test_all_at_once_agrees_with_one_by_one() -> None:
    rng = np.random.default_rng(5)
    rows, spans = [], []
    for unit in range(40):
        begin = 0
        for _ in range(int(rng.integers(0, 4))):
            begin += int(rng.integers(0, 20))
            end = begin + int(rng.integers(0, 30))
            spans.append((unit, begin, end, *(float(x) for x in rng.integers(0, 20, 3)), 10.0))
            begin = end + 1
        rows.append({"unit": unit, "limit_h": 200.0, "limit_m3": 150.0, "limit_g": 3000.0, "low_factor": 0.7})
    whole = plan(*spans)
    at_once = remaining_life(parts(*rows), whole, as_of=TODAY)
    for number, row in enumerate(rows):
        alone = remaining_life(parts(row), whole[whole["unit"] == number], as_of=TODAY)
        for name in ("due", "low", "high", "limit"):
            np.testing.assert_array_equal(getattr(alone, name)[0], getattr(at_once, name)[number])
        by_hand = day_by_day(row, whole[whole["unit"] == number])
        assert days_on(at_once.due[number]) == by_hand


def day_by_day(row: dict[str, Any], spans: pd.DataFrame) -> int | None:
    """The first day that the part does not get through whole."""
    hours = volume = 0.0
    rows = spans[["first", "last", "h_per_day", "m3_per_day"]].to_numpy().tolist()
    for day in range(200):
        on = [(h, m3) for first, last, h, m3 in rows if first <= day <= last]
        used_up = hours >= row["limit_h"] or volume >= row["limit_m3"] or volume * 15.0 >= row["limit_g"]
        hours += sum(h for h, _ in on)
        volume += sum(m3 for _, m3 in on)
        if used_up or hours > row["limit_h"] or volume > row["limit_m3"] or volume * 15.0 > row["limit_g"]:
            return day
    return None


def test_a_day_that_brings_a_limit_is_the_first_day_the_part_is_used_up() -> None:
    """Both ways of counting: the plan reaches 40 m3 at the end of day 1, so the part is due on day 2."""
    told = remaining_life(parts({"limit_m3": 40.0}), plan((1, 0, 9, 0, 20, 0, NAN)), as_of=TODAY)
    assert days_on(told.due[0]) == 2


@pytest.mark.parametrize(
    "spans", [((1, 3, 2, 1, 1, 0, NAN),), ((1, 0, 5, 1, 1, 0, NAN), (1, 5, 9, 1, 1, 0, NAN))]
)
def test_spans_that_cannot_be_are_refused(spans: tuple[Any, ...]) -> None:
    with pytest.raises(NotPlannable, match="row"):
        remaining_life(parts({"limit_h": 1.0}), plan(*spans), as_of=TODAY)


def test_a_negative_plan_is_refused() -> None:
    with pytest.raises(NotPlannable):
        remaining_life(parts({"limit_h": 1.0}), plan((1, 0, 5, -1, 1, 0, NAN)), as_of=TODAY)


drops = st.tuples(st.floats(0.05, 0.5), st.floats(1.01, 4.0), st.floats(0.0, 1.0))


@given(drops)
def test_the_log_law_is_0_when_clean_and_1_at_the_end(given_drop: tuple[float, float, float]) -> None:
    clean, times, share = given_drop
    terminal = clean * times
    now = clean * times**share
    used = filters.fraction_used_by_pressure(dp_clean_bar=clean, dp_now_bar=now, dp_terminal_bar=terminal)
    assert float(used) == pytest.approx(share, abs=1e-6)
    straight = (now - clean) / (terminal - clean)
    assert float(used) >= straight - 1e-9, "a straight line overstates what is left"


def test_the_drop_is_brought_to_the_flow_of_the_clean_reading() -> None:
    """At half the flow half the drop means the same dirt (drop roughly proportional to flow, water_energy_sites.md 2.3)."""
    full = filters.fraction_used_by_pressure(dp_clean_bar=0.15, dp_now_bar=0.45, dp_terminal_bar=1.0)
    half = filters.fraction_used_by_pressure(
        dp_clean_bar=0.15, dp_now_bar=0.225, dp_terminal_bar=1.0, flow_share=0.5
    )
    assert float(full) == pytest.approx(float(half))


def test_solids_left_follow_from_what_was_taken() -> None:
    low, best, high = filters.solids_left_by_pressure(solids_so_far_g=60.0, fraction_used=0.5)
    assert float(best) == pytest.approx(60.0)
    assert float(low) < float(best) < float(high)
    assert all(
        np.isnan(end)
        for end in filters.solids_left_by_pressure(solids_so_far_g=1.0, fraction_used=0.0)[:2][1:]
    )


@pytest.mark.parametrize(
    ("arguments", "key"),
    [
        ({"dp_clean_bar": 0.5, "dp_now_bar": 0.6, "dp_terminal_bar": 0.5}, "filters.terminal_drop"),
        ({"dp_clean_bar": 0.5, "dp_now_bar": 0.6, "dp_terminal_bar": 2.5}, "filters.drop_too_high"),
        ({"dp_clean_bar": 0.0, "dp_now_bar": 0.6, "dp_terminal_bar": 1.0}, "filters.pressure"),
        ({"dp_clean_bar": 0.1, "dp_now_bar": NAN, "dp_terminal_bar": 1.0}, "filters.pressure"),
    ],
)
def test_pressures_that_tell_nothing_are_refused(arguments: dict[str, float], key: str) -> None:
    with pytest.raises(NotPlannable) as refused:
        filters.fraction_used_by_pressure(**arguments)
    assert refused.value.key == key


def test_the_mean_of_the_largest_limit_is_more_than_the_limit_at_the_mean() -> None:
    """reference/replenishment.md 1.2: lognormal turbidity, median 20, log-sd 1: 0.0300, 0.0495, 0.0514 cartridges per m3."""
    ntu = 20.0 * np.exp(np.random.default_rng(1).normal(0.0, 1.0, 400_000))

    def per_m3(turbidity: Floats) -> Floats:
        use = filters.cartridges_used(
            volume_m3=1.0,
            turbidity_ntu=turbidity,
            days=0.0,
            volume_per_cartridge_m3=60.0,
            dirt_capacity_g=1.0,
            max_days_in_service=90.0,
            cartridges_in_parallel=1.0,
            solids_g_per_m3_per_ntu=0.0015,
        )
        return np.maximum(use.by_volume, use.by_solids)

    assert float(per_m3(np.array(20.0))) == pytest.approx(0.0300, abs=5e-5)
    assert float(per_m3(np.array(20.0 * np.exp(0.5)))) == pytest.approx(0.0495, abs=5e-5)
    assert float(per_m3(ntu).mean()) == pytest.approx(0.0514, abs=4e-4)


def test_lamps_are_whole_and_the_edge_is_due() -> None:
    change = {"run_hours": 100.0, "rated_life_h": 9000.0}
    assert float(lamps.lamp_changes(hours_since_new=8900.0, **change)) == 1
    assert float(lamps.lamp_changes(hours_since_new=8899.9, **change)) == 0
    for pieces in (-1, 1.5):
        with pytest.raises(NotPlannable, match="whole pieces"):
            lamps.lamp_changes(hours_since_new=0.0, lamps=pieces, **change)


@pytest.mark.parametrize(
    ("temp_c", "after_30", "after_90"),
    [(15, 11.9, 10.9), (20, 11.5, 9.8), (25, 10.7, 8.3), (30, 9.5, 6.4), (35, 7.8, 4.5)],
)
def test_liquid_hypochlorite_by_the_table(temp_c: float, after_30: float, after_90: float) -> None:
    """12.5 % liquid, table of water_energy_sites.md 2.6 (half-lives of White's Handbook of Chlorination)."""
    for days, strength in ((30, after_30), (90, after_90)):
        told = chemicals.liquid_strength_pct(c0_pct=12.5, days=days, temp_c=temp_c)
        assert float(told) == pytest.approx(strength, abs=0.06)


def test_product_is_planned_at_its_strength() -> None:
    """Tank shock: 50 mg/L in 1 m3 with 70 % takes 71 g (water_energy_sites.md 2m)."""
    assert float(chemicals.product_kg(dose_mg_l=50, volume_m3=1, strength_pct=70)) == pytest.approx(
        0.0714, abs=5e-5
    )
    with pytest.raises(NotPlannable, match="Measure it"):
        chemicals.product_kg(dose_mg_l=50, volume_m3=1, strength_pct=0)


def test_every_published_range_is_in_order() -> None:
    assert len(life_ranges()) > 35
    for row in life_ranges().values():
        assert row.low <= row.typical <= row.high, row.item
        assert row.source
    lamp = life_range("UV lamp, low pressure")
    assert (lamp.low, lamp.typical, lamp.high) == (8000, 9000, 12000)
    with pytest.raises(NotPlannable, match="Known are"):
        life_range("lamp oil")


def priors(mean: float = 0.02, cv: float = 0.5, groups: int = 1) -> pd.DataFrame:
    return pd.DataFrame({"group": range(groups), "prior_mean": mean, "prior_cv": cv})


def records(*rows: tuple[int, float, float]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["group", "used", "exposure"])


def test_no_record_leaves_the_published_figure() -> None:
    told = learn_use(records(), priors())
    assert told.mean[0] == pytest.approx(0.02)
    assert (told.observations[0], told.own_share[0]) == (0, 0.0)
    assert told.low[0] < 0.02 < told.high[0]


def test_one_conjugate_step_by_hand() -> None:
    """Gamma(4, 200) and 10 pieces in 300 m3: Gamma(14, 500) (Gelman et al., Bayesian Data Analysis, ch. 2; memory)."""
    told = learn_use(records((0, 10, 300)), priors())
    assert (told.shape[0], told.rate[0]) == pytest.approx((14, 500))
    assert told.own_share[0] == pytest.approx(0.6)


def test_much_record_overrules_the_prior_and_scatter_slows_it() -> None:
    rng = np.random.default_rng(8)
    exposure = rng.uniform(200, 800, 200)
    even = records(*((0, float(rng.poisson(0.05 * m3)), float(m3)) for m3 in exposure))
    told = learn_use(even, priors())
    assert told.mean[0] == pytest.approx(0.05, rel=0.05)
    assert told.spread[0] < 1.4
    rates = 0.05 * rng.gamma(2.0, 0.5, 200)
    scattered = records(
        *((0, float(rng.poisson(r * m3)), float(m3)) for r, m3 in zip(rates, exposure, strict=True))
    )
    wide = learn_use(scattered, priors())
    assert wide.spread[0] > 5
    assert wide.high[0] - wide.low[0] > 1.8 * (told.high[0] - told.low[0])


def test_the_band_holds_the_true_use_as_often_as_it_says() -> None:
    rng = np.random.default_rng(9)
    truth = rng.gamma(4.0, 0.02 / 4.0, 4000)
    rows = [
        (k, float(rng.poisson(truth[k] * m3)), m3)
        for k in range(4000)
        for m3 in rng.uniform(50, 500, 2).tolist()
    ]
    told = learn_use(records(*rows), priors(groups=4000))
    inside = ((truth >= told.low) & (truth <= told.high)).mean()
    assert inside == pytest.approx(0.8, abs=0.03)


@pytest.mark.parametrize(
    "row", [(0, -1.0, 10.0), (0, 1.0, -1.0), (0, 1.0, 0.0), (0, NAN, 1.0), (7, 1.0, 1.0)]
)
def test_records_that_cannot_be_are_refused(row: tuple[int, float, float]) -> None:
    with pytest.raises(NotPlannable):
        learn_use(records(row), priors())
