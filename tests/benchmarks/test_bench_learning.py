"""Learning and forecasting of 100,000 banks at once against one bank at a time; and the past replayed over twenty seeds."""

from __future__ import annotations

import resource
import time
from dataclasses import replace

import numpy as np
import pytest

from readiness.domain.back_test import back_test
from readiness.domain.bank_flags import BankFacts, Flag, bank_flags
from readiness.domain.bank_forecast import forecast
from readiness.domain.bank_records import BankArrays, EventArrays
from readiness.domain.learning import learn, noise_of_fleet
from readiness.domain.reading_noise import NoiseHistory
from tests.readiness.domain.synthetic_banks import DAY0, Simulated, World, simulate

pytestmark = pytest.mark.bench

BANKS = 100_000
AT_ONCE = 4_000  # as the sweep does
DIFFERENT = 400
SAMPLE = 60
LEAST_RATIO = 40.0
SEEDS = range(1, 21)


def many(told: Simulated, count: int) -> tuple[BankArrays, EventArrays]:
    """The simulated banks again and again, up to `count`."""
    own, times = len(told.banks), -(-count // len(told.banks))
    banks = told.banks.take(np.tile(np.arange(own), times)[:count])
    events = told.events.take(np.tile(np.arange(len(told.events)), times))
    bank = events.bank + np.repeat(np.arange(times), len(told.events)) * own
    events = replace(events, bank=bank)
    return banks, events.take(np.flatnonzero(bank < count))


def alone(told: Simulated, row: int) -> tuple[BankArrays, EventArrays]:
    events = told.events.take(np.flatnonzero(told.events.bank == row))
    return told.banks.take(np.array([row])), replace(events, bank=np.zeros(len(events), dtype=np.int64))


def test_learning_and_forecasting_of_many_banks() -> None:
    told = simulate(7, DIFFERENT, World(days=730))
    noise = NoiseHistory.standing(noise_of_fleet(told.banks, told.events, told.sites, told.end).totals())
    banks, events = many(told, AT_ONCE)
    begun = time.process_time()
    for _part in range(BANKS // AT_ONCE):
        found = forecast(banks, events, told.sites, told.end, noise=noise)
    together_s = time.process_time() - begun
    begun = time.process_time()
    single = [forecast(*alone(told, row), told.sites, told.end, noise=noise) for row in range(SAMPLE)]
    one_s = (time.process_time() - begun) / SAMPLE
    ratio = one_s * BANKS / together_s
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"\nlearning + forecasting {BANKS:,} banks, {len(events) * (BANKS // AT_ONCE):,} records: {together_s:.1f} s of "
        f"processor, {peak_mb:.0f} MB; one at a time {one_s * 1000:.1f} ms a bank: {ratio:.0f} times"
    )
    for row, each in enumerate(single):
        assert each.learned.total_pct_month[0] == pytest.approx(found.learned.total_pct_month[row], rel=1e-9)
        assert each.estimates.due_at[0] == pytest.approx(found.estimates.due_at[row], abs=1e-6)
    assert ratio > LEAST_RATIO


def test_the_past_replayed_over_twenty_seeds() -> None:
    """Truth from a generator that shares no formula with the product: every bank's meter and curve are off, its place is up
    to some kelvins off the climate (2 K, one sigma), 15 % of the readings are missing, one bank has a load nobody wrote
    down, one fades by 40 % a month."""
    coverage, leads, wrong = [], [], []
    for seed in SEEDS:
        told = simulate(seed, 40, World(days=730, fading_from={0: 300}, hidden_ma={1: 60.0}, hidden_from=300))
        inside = float(back_test(told.banks, told.events, told.sites, told.end).inside().mean())
        broke = int(np.flatnonzero(told.soc[0] <= 0.5)[0])
        first = first_flagged(told)
        false = int(np.isfinite(first[2:]).sum())
        coverage.append(inside)
        leads.append(broke - first[0])
        wrong.append(false)
        print(
            f"\nseed {seed}: {100 * inside:.1f} % inside the 80 % band; fading bank flagged {broke - first[0]:.0f} days "
            f"before its floor; {false} of 38 sound banks flagged within a year",
            end="",
        )
    in_time = sum(lead >= 21 for lead in leads)
    print(
        f"\nmean {100 * np.mean(coverage):.1f} % inside; in time {in_time} of {len(leads)}; "
        f"{np.mean(wrong):.2f} false flags in 38 banks a year"
    )
    assert 0.75 <= np.mean(coverage) <= 0.85
    assert all(0.74 <= share <= 0.88 for share in coverage)
    assert in_time >= len(leads) - 1
    assert np.mean(wrong) <= 1.0


def first_flagged(told: Simulated) -> np.ndarray:
    """The day on which each bank is first flagged in the second year: looked at every two weeks, and a day after each record
    of the first bank."""
    noise = noise_of_fleet(told.banks, told.events, told.sites, told.end)
    records = np.floor(told.events.time[told.events.bank == 0] - DAY0) + 1
    days = sorted({*range(365, 730, 14), *(int(day) for day in records if 365 < day < 730)})
    first = np.full(len(told.banks), np.nan)
    facts = BankFacts.none(len(told.banks))
    for day in days:
        asked = float(DAY0 + day)
        learned = learn(told.banks, told.events, told.sites, asked, noise=noise)
        flags = bank_flags(told.banks, told.events, told.sites, asked, learned, facts, noise=noise)
        high = (flags.flags & int(Flag.RATE_HIGH)) > 0
        first[high & np.isnan(first)] = day
    return first
