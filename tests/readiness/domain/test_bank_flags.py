"""What stands out of a fleet's records, and that nothing counts as good because nobody measured it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from readiness.domain.bank_flags import (
    HOW_TO_TELL,
    BankFacts,
    BankFlags,
    Flag,
    Likelier,
    Unknown,
    bank_flags,
    fleet_life_used,
)
from readiness.domain.bank_records import EventArrays, Supply
from readiness.domain.learning import learn, noise_of_fleet
from tests.readiness.domain import fleet_of_banks as few
from tests.readiness.domain.synthetic_banks import DAY0, Simulated, World, simulate

SEEDS = (21, 22)


@cache
def fleet(seed: int) -> Simulated:
    return simulate(seed, 40, World(days=500, hidden_ma={0: 60.0, 1: 60.0}, hidden_from=300))


@cache
def judged(seed: int, day: int, supply: int = int(Supply.ISOLATED)) -> BankFlags:
    told = fleet(seed)
    asked = float(DAY0 + day)
    noise = noise_of_fleet(told.banks, told.events, told.sites, asked)
    now = learn(told.banks, told.events, told.sites, asked, noise=noise)
    facts = replace(BankFacts.none(40), supply=np.full(40, supply))
    return bank_flags(told.banks, told.events, told.sites, asked, now, facts, noise=noise)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_bank_that_loses_far_more_than_its_peers_stands_out(seed: int) -> None:
    """60 mA on 600 Ah are 7.2 % in 30 days beside 2 %; of 38 sound banks at most two are taken for such."""
    before, after = judged(seed, 295), judged(seed, 450)
    high = after.flags & int(Flag.RATE_HIGH) > 0
    assert high[:2].all()
    assert high[2:].sum() <= 2
    assert not (before.flags[:2] & int(Flag.RATE_HIGH)).any()
    assert np.all(after.ratio[:2] > 2.0)
    assert np.all(after.peers[:2] >= 30)


@pytest.mark.parametrize("seed", SEEDS)
def test_where_the_rate_is_high_it_is_said_how_to_tell_why(seed: int) -> None:
    answer = judged(seed, 450)
    for row in range(2):
        steps = answer.how_to_tell(row)
        assert {"clamp_meter", "isolate_and_read_again", "capacity_test"} <= set(steps)
        assert answer.likelier[row] != int(Likelier.FADING)
    quiet = np.flatnonzero(answer.flags & int(Flag.RATE_HIGH) == 0)
    assert np.all(answer.likelier[quiet] == int(Likelier.NOT_ASKED))
    assert answer.how_to_tell(int(quiet[0])) == ()
    assert set(HOW_TO_TELL) == set(Likelier)


def one_bank(**facts: Any) -> BankFlags:
    """A young gel bank of 12 years' life, with what else is on file."""
    banks = few.bank(made_day=few.DAY0 - 365.0, life_days=12 * 365.25)
    events, sites, asked = few.records(few.charge(0.0)), few.steady_sites(20.0), few.DAY0 + 30.0
    known = replace(BankFacts.none(1), **{name: np.array([value]) for name, value in facts.items()})
    return bank_flags(banks, events, sites, asked, learn(banks, events, sites, asked), known)


# 30 % and 50 % over the own baseline, under 80 % of rated: IEEE 1188 practice, reference page on battery storage 5.4.
@pytest.mark.parametrize(
    ("fact", "value", "flag", "there"),
    [
        ("ohmic_ratio", 1.29, Flag.OHMIC_INVESTIGATE, False),
        ("ohmic_ratio", 1.30, Flag.OHMIC_INVESTIGATE, True),
        ("ohmic_ratio", 1.50, Flag.OHMIC_INVESTIGATE, False),
        ("ohmic_ratio", 1.49, Flag.OHMIC_TEST_OR_REPLACE, False),
        ("ohmic_ratio", 1.50, Flag.OHMIC_TEST_OR_REPLACE, True),
        ("capacity_pct", 80.0, Flag.CAPACITY_LOW, False),
        ("capacity_pct", 79.9, Flag.CAPACITY_LOW, True),
        ("life_used", 0.79, Flag.LIFE_NEAR_END, False),
        ("life_used", 0.80, Flag.LIFE_NEAR_END, True),
        ("life_used", 1.0, Flag.LIFE_OVER, True),
    ],
)
def test_limits(fact: str, value: float, flag: Flag, there: bool) -> None:
    assert bool(one_bank(**{fact: value}).flags[0] & int(flag)) is there


def test_what_nobody_measured_is_unknown_and_a_bank_never_tested_is_due() -> None:
    answer = one_bank()
    assert answer.unknown[0] == int(Unknown.RATE | Unknown.OHMIC | Unknown.CAPACITY | Unknown.LIFE)
    assert answer.flags[0] == int(Flag.TEST_DUE)
    assert answer.test_due_at[0] == -np.inf


# Every 24 months, yearly once worn: IEEE 1188 practice, reference page 5.4.
@pytest.mark.parametrize(("pct", "months"), [(95.0, 24), (89.0, 12)])
def test_the_next_capacity_test(pct: float, months: int) -> None:
    tested = few.DAY0 - 10.0
    answer = one_bank(capacity_pct=pct, tested_at=tested)
    assert answer.test_due_at[0] == pytest.approx(tested + months * 30.4375)
    assert not answer.flags[0] & int(Flag.TEST_DUE)


def test_float_life_by_the_warmth_of_the_place() -> None:
    """A year at 30 degC uses two of twelve years, at 20 degC one: halving per 10 K, reference page 5.3."""
    sites = few.steady_sites(20.0, 30.0)
    for site, years in ((0, 1.0), (1, 2.0)):
        banks = few.bank(made_day=few.DAY0 - 365.25, life_days=12 * 365.25, site=site)
        assert fleet_life_used(banks, sites, few.DAY0)[0] == pytest.approx(years / 12.0, rel=1e-3)
    for lacking in ({"made_day": np.nan}, {"life_days": np.nan}, {"site": -1}):
        assert np.isnan(fleet_life_used(few.bank(**lacking), sites, few.DAY0)[0])


@pytest.mark.parametrize(("ah", "flag"), [(600.0, Flag.RETURNED_MORE), (0.0, Flag.RETURNED_LESS)])
def test_a_charge_that_returned_much_more_or_less_than_was_missing(ah: float, flag: Flag) -> None:
    banks, sites = few.bank(), few.steady_sites(20.0)
    readings = (few.volts(day, 25.8 - 0.016 * day) for day in (20.0, 40.0, 60.0, 80.0))
    events = few.records(
        few.charge(0.0), few.supply(0.0, Supply.ISOLATED), *readings, few.charge(92.0, ah=ah)
    )
    now = learn(banks, events, sites, few.DAY0 + 93.0)
    answer = bank_flags(banks, events, sites, few.DAY0 + 93.0, now, BankFacts.none(1))
    assert answer.flags[0] & int(flag)
    usual = learn(banks, few.records(few.charge(0.0), few.charge(92.0, ah=40.0)), sites, few.DAY0 + 93.0)
    plain = bank_flags(banks, EventArrays.of(), sites, few.DAY0 + 93.0, usual, BankFacts.none(1))
    assert not plain.flags[0] & int(Flag.RETURNED_MORE | Flag.RETURNED_LESS)
