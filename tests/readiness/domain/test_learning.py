"""Learning from records: against a truth that is known, and what it may never do."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from readiness.domain.back_test import BackTest, back_test
from readiness.domain.bank_records import BankArrays, EventArrays, EventKind, Supply
from readiness.domain.charge_state import estimate
from readiness.domain.chemistry import chemistries, chemistry_index
from readiness.domain.learning import Learned, learn, noise_of_fleet, with_learning
from readiness.domain.learning_course import LearningTerms
from tests.readiness.domain import fleet_of_banks as few
from tests.readiness.domain.synthetic_banks import Simulated, World, simulate

SEEDS = (11, 12, 13)
HIDDEN = World(hidden_ma={0: 60.0, 1: 40.0}, hidden_from=300)


@cache
def history(seed: int) -> Simulated:
    return simulate(seed, 40, HIDDEN)


@cache
def replayed(seed: int) -> BackTest:
    told = history(seed)
    return back_test(told.banks, told.events, told.sites, told.end)


@cache
def learnt(seed: int) -> Learned:
    told = history(seed)
    noise = noise_of_fleet(told.banks, told.events, told.sites, told.end)
    return learn(told.banks, told.events, told.sites, told.end, noise=noise)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_band_holds_about_what_it_says(seed: int) -> None:
    """80 % bands, 30, 60 and 90 days ahead; truth from a simulation that shares no formula with the product."""
    test = replayed(seed)
    assert 0.75 <= test.inside().mean() <= 0.87
    for result in test.summary():
        assert result.count > 250
        assert 0.74 <= result.inside <= 0.89


@pytest.mark.parametrize("seed", SEEDS)
def test_learning_narrows_the_band_and_the_miss(seed: int) -> None:
    for result in replayed(seed).summary():
        assert result.width < 0.6 * result.plain_width
        assert result.miss < 0.85 * result.plain_miss


@pytest.mark.parametrize("seed", SEEDS)
def test_the_learnt_rate_is_nearer_to_the_truth_than_the_published_one(seed: int) -> None:
    told, now = history(seed), learnt(seed)
    quiet = np.arange(2, 40)
    truth, own = told.pct_month[quiet], now.total_pct_month[quiet]
    published = now.published_pct_month[quiet]
    assert np.abs(np.log(own / truth)).mean() < np.abs(np.log(published / truth)).mean()
    assert np.all(now.count[quiet] >= 10)


def test_the_band_of_the_learnt_rate_holds_about_what_it_says() -> None:
    """An 80 % band, of 114 banks."""
    inside = []
    for seed in SEEDS:
        now, truth = learnt(seed), history(seed).pct_month
        inside.append(((now.total_low <= truth) & (truth <= now.total_high))[2:])
    assert 0.70 <= np.concatenate(inside).mean() <= 0.93


@pytest.mark.parametrize("seed", SEEDS)
def test_a_hidden_load_raises_the_alarm_and_the_rate(seed: int) -> None:
    """60 mA and 40 mA on 600 Ah are 7.2 and 4.8 % in 30 days: 72 I/C of the reference page 2.5."""
    now = learnt(seed)
    for bank, extra in ((0, 7.2), (1, 4.8)):
        truth = history(seed).pct_month[bank] + extra
        assert now.total_pct_month[bank] == pytest.approx(truth, rel=0.45)
        assert now.total_low[bank] > 1.5 * now.published_pct_month[bank]
    # Seen as an alarm that another reading confirmed, or as small surprises that added up.
    assert np.isfinite(now.confirmed_at[0]) or np.isfinite(now.drift_at[0])
    assert np.isfinite(now.alarm_at[2:]).sum() <= 2


def history_of(*events: dict[str, Any], day: float, **facts: Any) -> Learned:
    return learn(
        few.bank(**facts), few.records(*events), few.steady_sites(20.0), few.DAY0 + day, terms=LearningTerms()
    )


def test_without_records_the_published_rate_stands() -> None:
    now = history_of(day=100.0)
    assert now.count[0] == 0
    assert now.scale[0] == 1.0
    assert now.total_pct_month[0] == pytest.approx(2.0)
    assert now.scale_low[0] < 1.0 < now.scale_high[0]
    banks = few.bank()
    same = with_learning(banks, now)
    for column in fields(BankArrays):
        assert np.array_equal(getattr(same, column.name), getattr(banks, column.name), equal_nan=True), (
            column.name
        )


# Volts of a 24 V gel bank: 25.80 full, 25.30 at 0.75, 24.70 at 0.50 (reference page 1.1).
REGULAR = [few.charge(0.0, ah=10.0), few.supply(0.0, Supply.ISOLATED)]


def test_a_reading_that_is_far_too_low_is_taken_over_at_once() -> None:
    before = history_of(*REGULAR, few.volts(30.0, 25.75), few.volts(60.0, 25.70), day=61.0)
    after = history_of(
        *REGULAR, few.volts(30.0, 25.75), few.volts(60.0, 25.70), few.volts(90.0, 24.4), day=91.0
    )
    assert np.isnan(before.alarm_at[0])
    assert after.alarm_at[0] == few.DAY0 + 90.0
    assert after.total_pct_month[0] > 3.0 * before.total_pct_month[0]
    assert np.isnan(after.confirmed_at[0])


def test_a_second_reading_that_fits_what_was_believed_disproves_it() -> None:
    records = [*REGULAR, few.volts(30.0, 25.75), few.volts(60.0, 25.70), few.volts(90.0, 24.4)]
    low = history_of(*records, day=91.0)
    back = history_of(*records, few.volts(92.0, 25.65), day=93.0)
    assert np.isnan(back.alarm_at[0])
    assert back.total_pct_month[0] < 0.5 * low.total_pct_month[0]


def test_a_second_low_reading_confirms_it() -> None:
    records = [*REGULAR, few.volts(30.0, 25.75), few.volts(60.0, 25.70), few.volts(90.0, 24.4)]
    again = history_of(*records, few.volts(97.0, 24.3), day=98.0)
    assert again.alarm_at[0] == few.DAY0 + 90.0
    assert again.confirmed_at[0] == few.DAY0 + 97.0


def test_a_reading_far_too_high_does_not_teach_a_lower_rate() -> None:
    """Somebody may have charged the bank and not written it down."""
    records = [*REGULAR, *(few.volts(day, 25.8 - 0.01 * day) for day in (15.0, 30.0, 45.0, 60.0))]
    before = history_of(*records, day=61.0)
    after = history_of(*records, few.volts(90.0, 25.9), day=91.0)
    assert after.gain_at[0] == few.DAY0 + 90.0
    assert after.total_pct_month[0] == pytest.approx(before.total_pct_month[0], rel=0.05)


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        ({"rest_h": 2.0}, "not_rested"),
        ({"value": 240.0}, "ocv_implausible"),
        ({"temp_c": 200.0}, "temp_out_of_range"),
    ],
)
def test_what_cannot_be_is_refused_with_its_reason_and_teaches_nothing(
    facts: dict[str, Any], why: str
) -> None:
    from readiness.domain.bank_records import READING_REFUSALS

    plain = history_of(*REGULAR, few.volts(30.0, 25.75), day=61.0)
    bad = few.volts(60.0, 24.0) | facts
    now = history_of(*REGULAR, few.volts(30.0, 25.75), bad, day=61.0)
    assert READING_REFUSALS[now.refusal[-1]] == why
    assert now.count[0] == plain.count[0]
    assert now.total_pct_month[0] == pytest.approx(plain.total_pct_month[0], rel=0.01)


def test_the_ah_of_a_charge_teach() -> None:
    """150 Ah at a charge factor of 1.10 is 0.227 of 600 Ah; 12 % were expected after half a year."""
    plain = history_of(*REGULAR, few.charge(180.0), day=181.0)
    much = history_of(*REGULAR, few.charge(180.0, ah=150.0), day=181.0)
    assert plain.count[0] == 0
    assert much.count[0] == 1
    assert much.total_pct_month[0] > 1.2 * plain.total_pct_month[0]
    assert much.returned_share[0] == pytest.approx(0.227 / 0.12, rel=0.05)


@pytest.mark.parametrize(("ah", "sign"), [(600.0, 1.0), (0.0, -1.0)])
def test_a_charge_that_returned_much_more_or_less_is_told_apart(ah: float, sign: float) -> None:
    readings = (few.volts(day, 25.8 - 0.012 * day) for day in (30.0, 60.0, 90.0))
    now = history_of(*REGULAR, *readings, few.charge(92.0, ah=ah), day=93.0)
    assert sign * now.returned_sigmas[0] > 2.0


@pytest.mark.parametrize("slow", [25.80, 25.78])
def test_a_bank_that_keeps_well_is_never_put_off_past_the_calendar(slow: float) -> None:
    """180 days at 20 degC: VRLA instruction, reference page 3.1; the maker's limit counts where it is shorter."""
    records = [*REGULAR, *(few.volts(day, slow) for day in (30.0, 60.0, 90.0, 120.0, 150.0))]
    events, sites = few.records(*records), few.steady_sites(20.0)
    for limit, days in ((np.nan, 180.0), (90.0, 90.0)):
        banks = few.bank(interval_cap_days=limit)
        now = learn(banks, events, sites, few.DAY0 + 151.0)
        own = estimate(with_learning(banks, now), events, sites, few.DAY0 + 151.0)
        plain = estimate(banks, events, sites, few.DAY0 + 151.0)
        assert now.scale[0] < 0.9
        assert own.floor_at[0] > plain.floor_at[0]
        assert own.due_at[0] == pytest.approx(few.DAY0 + days, abs=0.01)
        assert own.interval_at[0] == plain.interval_at[0]


def test_a_bank_that_loses_fast_is_due_earlier() -> None:
    records = [*REGULAR, *(few.volts(day, 25.8 - 0.006 * day) for day in (20.0, 40.0, 60.0))]
    events, sites, banks = few.records(*records), few.steady_sites(20.0), few.bank()
    now = learn(banks, events, sites, few.DAY0 + 61.0)
    own = estimate(with_learning(banks, now), events, sites, few.DAY0 + 61.0)
    plain = estimate(banks, events, sites, few.DAY0 + 61.0)
    assert few.DAY0 + 61.0 < own.due_at[0] < plain.due_at[0]
    assert own.low[0] <= plain.low[0]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_bank_with_a_hidden_load_is_due_weeks_earlier_after_its_next_charge(seed: int) -> None:
    """The load came on day 300, the bank was charged on day 450: by the published rate it would last for months."""
    told = history(seed)
    asked = few.DAY0 + 455.0
    noise = noise_of_fleet(told.banks, told.events, told.sites, asked)
    now = learn(told.banks, told.events, told.sites, asked, noise=noise)
    own = estimate(with_learning(told.banks, now), told.events, told.sites, asked)
    plain = estimate(told.banks, told.events, told.sites, asked)
    assert own.due_at[0] < plain.due_at[0] - 21.0
    assert np.all(own.due_at[2:] <= own.interval_at[2:] + 1e-9)


def test_a_bank_that_was_never_charged_in_full_is_not_given_more_time() -> None:
    """No calendar rule runs for it, so a low rate has nothing that would hold it back."""
    records = [
        few.supply(0.0, Supply.ISOLATED),
        *(few.volts(day, 25.6) for day in (1.0, 40.0, 80.0, 120.0, 160.0)),
    ]
    events, sites, banks = few.records(*records), few.steady_sites(20.0), few.bank()
    now = learn(banks, events, sites, few.DAY0 + 161.0)
    assert now.scale[0] < 1.0
    own = estimate(with_learning(banks, now), events, sites, few.DAY0 + 161.0)
    assert own.due_at[0] <= estimate(banks, events, sites, few.DAY0 + 161.0).due_at[0] + 1e-6


def test_one_bank_is_the_fleet_of_length_one() -> None:
    told = history(SEEDS[0])
    noise = noise_of_fleet(told.banks, told.events, told.sites, told.end)
    together = learnt(SEEDS[0])
    for bank in (0, 7, 23):
        mine = np.flatnonzero(told.events.bank == bank)
        events = replace(told.events.take(mine), bank=np.zeros(mine.size, dtype=np.int64))
        alone = learn(told.banks.take(np.array([bank])), events, told.sites, told.end, noise=noise)
        for name in ("scale", "total_pct_month", "total_high", "draw_ma", "count", "alarm_at", "evidence"):
            assert getattr(alone, name)[0] == pytest.approx(
                getattr(together, name)[bank], rel=1e-9, nan_ok=True
            ), name


def test_the_order_of_the_records_says_nothing() -> None:
    told = history(SEEDS[0])
    mixed = told.events.take(np.random.default_rng(3).permutation(len(told.events)))
    noise = noise_of_fleet(told.banks, mixed, told.sites, told.end)
    now = learn(told.banks, mixed, told.sites, told.end, noise=noise)
    assert now.total_pct_month == pytest.approx(learnt(SEEDS[0]).total_pct_month, rel=1e-9)


def test_what_comes_later_does_not_change_what_was_known() -> None:
    """A back-test that knew the future would be worth nothing."""
    told = history(SEEDS[1])
    middle = told.end - 365.0
    part = told.events.take(np.flatnonzero(told.events.time <= middle))
    early = back_test(told.banks, part, told.sites, middle)
    whole = replayed(SEEDS[1])
    pick = np.isin(told.events.time[whole.event], told.events.time[told.events.time <= middle])
    pick &= told.events.time[whole.event] <= middle
    assert len(early) == pick.sum()
    assert np.sort(early.value) == pytest.approx(np.sort(whole.value[pick]), abs=1e-9)
    assert np.sort(early.sigma) == pytest.approx(np.sort(whole.sigma[pick]), abs=1e-9)


@pytest.mark.parametrize("code", sorted(chemistries()))
def test_every_chemistry_can_be_learnt_from(code: str) -> None:
    """Meter readings, which every chemistry may have; the answer stays finite and positive."""
    random = np.random.default_rng(5)
    days = np.sort(random.uniform(1.0, 120.0, 8))
    records = [few.charge(0.0, ah=20.0), few.supply(0.0, Supply.STANDBY)]
    records += [
        few.meter(day, float(np.clip(0.98 - 0.002 * day + random.normal(0, 0.02), 0, 1))) for day in days
    ]
    now = history_of(*records, few.charge(130.0, ah=180.0), day=140.0, chemistry=code, standby_ma=10.0)
    for name in ("scale", "total_pct_month", "total_low", "total_high", "loss_sigma"):
        value = getattr(now, name)[0]
        assert np.isfinite(value), name
        assert value > 0.0, name
    assert now.total_low[0] < now.total_pct_month[0] < now.total_high[0]


def test_a_fleet_without_records_and_a_fleet_without_banks() -> None:
    sites = few.steady_sites(20.0)
    assert len(learn(BankArrays.of(np.zeros(0, dtype=np.int64)), EventArrays.of(), sites, few.DAY0)) == 0
    banks = BankArrays.of(np.full(3, chemistry_index()["vrla_gel"]), site=0)
    assert np.all(learn(banks, EventArrays.of(), sites, few.DAY0 + 10.0).count == 0)
    assert len(back_test(banks, EventArrays.of(), sites, few.DAY0 + 10.0)) == 0


def test_a_reading_on_charge_or_float_teaches_nothing() -> None:
    records = [few.charge(0.0), few.supply(1.0, Supply.FLOAT, check_days=400.0)]
    now = history_of(*records, few.volts(60.0, 25.0), few.volts(90.0, 24.9), day=100.0)
    assert now.count[0] == 0
    assert EventKind.VOLTAGE == 4
