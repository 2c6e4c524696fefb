"""The one place where learning and charge state meet: alarms stay, limits stay, the fleet's habits come in from outside."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from readiness.domain.bank_flags import LEAST_PEERS, BankFacts, Flag, Peers, bank_flags
from readiness.domain.bank_forecast import FleetHabits, forecast, judge_with
from readiness.domain.bank_records import Note, Supply
from readiness.domain.charge_state import estimate, path
from readiness.domain.learning import learn, noise_of_fleet
from readiness.domain.reading_noise import NoiseHistory
from tests.readiness.domain import fleet_of_banks as few
from tests.readiness.domain.synthetic_banks import DAY0, Simulated, World, simulate

REGULAR = [few.charge(0.0, ah=10.0), few.supply(0.0, Supply.ISOLATED), few.volts(30.0, 25.75)]


@cache
def fleet() -> Simulated:
    return simulate(31, 40, World(days=500, hidden_ma={0: 60.0}, hidden_from=200))


def test_learning_puts_no_date_off_past_the_calendar() -> None:
    """Learning may bring a charge forward freely, and put it off only as far as the interval: whatever the bank."""
    told = fleet()
    asked = told.end - 20.0
    noise = noise_of_fleet(told.banks, told.events, told.sites, asked)
    own = forecast(told.banks, told.events, told.sites, asked, noise=noise).estimates
    plain = estimate(told.banks, told.events, told.sites, asked)
    assert own.interval_at == pytest.approx(plain.interval_at)
    assert np.all(own.due_at <= plain.interval_at + 1e-6)
    assert np.any(own.due_at < plain.due_at - 5.0)


def test_a_low_reading_stays_an_alarm_although_the_rate_learnt_from_it_explains_it() -> None:
    events, sites, banks = few.records(*REGULAR, few.volts(90.0, 24.4)), few.steady_sites(20.0), few.bank()
    found = forecast(banks, events, sites, few.DAY0 + 91.0)
    assert found.learned.total_pct_month[0] > 3.0 * found.learned.published_pct_month[0]
    assert found.estimates.notes[0] & int(Note.UNEXPLAINED_LOSS)
    assert found.estimates.alarm_at[0] == few.DAY0 + 90.0
    tested = few.bank(tested_at=few.DAY0 + 90.5)
    settled = forecast(tested, events, sites, few.DAY0 + 91.0).estimates
    assert not settled.notes[0] & int(Note.UNEXPLAINED_LOSS)


def test_the_chart_of_the_past_knows_no_more_than_was_known() -> None:
    sites, banks = few.steady_sites(20.0), few.bank()
    records = [*REGULAR, few.volts(60.0, 25.70), few.volts(90.0, 24.4)]
    events = few.records(*records)
    at = few.DAY0 + np.array([61.0, 91.0])
    drawn = path(banks, events, sites, 0, at, judge=judge_with(None))
    then = forecast(banks, few.records(*records[:-1]), sites, at[0]).estimates
    now = forecast(banks, events, sites, at[1]).estimates
    assert drawn.low == pytest.approx([then.low[0], now.low[0]])
    assert drawn.low[1] < drawn.low[0] - 0.3


def test_what_the_fleet_teaches_is_the_same_when_it_is_kept_as_sums() -> None:
    told = fleet()
    noise = noise_of_fleet(told.banks, told.events, told.sites, told.end)
    kept = NoiseHistory.standing(noise.totals())
    groups = np.array(sorted(noise.totals()), dtype=np.int64)
    late = np.full(len(groups), told.end + 1.0)
    assert kept.at(groups, late).noise == pytest.approx(noise.at(groups, late).noise)
    assert kept.at(groups, late).bias == pytest.approx(noise.at(groups, late).bias)
    direct = learn(told.banks, told.events, told.sites, told.end + 1.0, noise=noise)
    by_sums = learn(told.banks, told.events, told.sites, told.end + 1.0, noise=kept)
    assert by_sums.total_pct_month == pytest.approx(direct.total_pct_month, rel=1e-9)


def test_one_bank_beside_the_peers_of_the_fleet_is_flagged_as_in_the_fleet() -> None:
    told = fleet()
    noise = NoiseHistory.standing(noise_of_fleet(told.banks, told.events, told.sites, told.end).totals())
    learned = learn(told.banks, told.events, told.sites, told.end, noise=noise)
    peers = Peers.of(learned, told.banks.chem, int(told.banks.chem.max()) + 1)
    assert peers.count.max() > LEAST_PEERS
    together = bank_flags(
        told.banks, told.events, told.sites, told.end, learned, BankFacts.none(40), noise=noise
    )
    mine = np.flatnonzero(told.events.bank == 0)
    alone = bank_flags(
        told.banks.take(np.array([0])),
        told.events.take(mine),
        told.sites,
        told.end,
        learn(told.banks.take(np.array([0])), told.events.take(mine), told.sites, told.end, noise=noise),
        BankFacts.none(1),
        peers=peers,
        noise=noise,
    )
    assert together.flags[0] & int(Flag.RATE_HIGH)
    assert alone.flags[0] == together.flags[0]
    assert alone.ratio[0] == pytest.approx(together.ratio[0])
    assert alone.peers[0] == together.peers[0] > 30


def test_a_recorded_draw_is_no_outlier() -> None:
    """A bank whose standby draw is on file loses more than its peers, and as much as is expected of it."""
    told = fleet()
    noise = NoiseHistory.standing(noise_of_fleet(told.banks, told.events, told.sites, told.end).totals())
    learned = learn(told.banks, told.events, told.sites, told.end, noise=noise)
    peers = Peers.of(learned, told.banks.chem, int(told.banks.chem.max()) + 1)
    banks = few.bank(standby_ma=60.0)
    # 60 mA on 600 Ah are 7.2 % in 30 days beside 2 %: the voltage falls accordingly.
    readings = (few.volts(day, 25.80 - 2.0 * 0.092 * day / 30.0) for day in (20.0, 40.0, 60.0, 80.0))
    events = few.records(few.charge(0.0), few.supply(0.0, Supply.STANDBY), *readings)
    sites = few.steady_sites(20.0)
    now = learn(banks, events, sites, few.DAY0 + 81.0, noise=noise)
    answer = bank_flags(
        banks, events, sites, few.DAY0 + 81.0, now, BankFacts.none(1), peers=peers, noise=noise
    )
    assert now.total_pct_month[0] > 6.0
    assert not answer.flags[0] & int(Flag.RATE_HIGH)


@pytest.mark.parametrize("seed", [41, 42, 43])
def test_a_fading_bank_is_flagged_three_weeks_before_it_breaks_its_floor(seed: int) -> None:
    """Its loss grows by 40 % a month from day 300: small surprises add up before any one of them is large."""
    told = simulate(seed, 40, World(days=730, fading_from={0: 300}))
    broke = int(np.flatnonzero(told.soc[0] <= 0.5)[0])
    noise = NoiseHistory.standing(noise_of_fleet(told.banks, told.events, told.sites, told.end).totals())
    early = float(DAY0 + broke - 21)
    learned = learn(told.banks, told.events, told.sites, early, noise=noise)
    flags = bank_flags(told.banks, told.events, told.sites, early, learned, BankFacts.none(40), noise=noise)
    assert flags.flags[0] & int(Flag.RATE_HIGH)
    assert (flags.flags[1:] & int(Flag.RATE_HIGH) > 0).sum() <= 1


def test_a_fleet_that_taught_nothing_yet_has_no_habits() -> None:
    habits = FleetHabits.none()
    assert habits.noise is None
    assert np.all(np.isnan(habits.peers.centre))
