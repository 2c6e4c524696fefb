"""The sweep's arrays and the published one-bank functions say the same: the reference cases stand for both.

Random fleets, each bank compared with the plain function of its own numbers.
"""

from __future__ import annotations

import numpy as np
import pytest

from readiness.domain.bank_rates import BankRates
from readiness.domain.bank_records import READING_REFUSALS, BankArrays, EventArrays, EventKind, Supply
from readiness.domain.charge_state import LOSS_WEIGHT, estimate
from readiness.domain.chemistry import chemistries, chemistry_index
from readiness.domain.errors import RejectedInput
from readiness.domain.fusion import PESSIMISTIC_SIGMAS, SIGMA_AFTER_CHARGE
from readiness.domain.gravity import SG_EMPTY, SG_FULL, sg_correct, sg_to_soc
from readiness.domain.inputs import DAYS_PER_MONTH, SG_MAX, SG_MIN
from readiness.domain.reading_values import values_of_readings
from readiness.domain.self_discharge import days_to_floor, parasitic_pct_month, soc_after
from readiness.domain.upkeep import days_until_due, interval_days
from tests.readiness.domain.fleet_of_banks import DAY0, steady_sites

KINDS = list(chemistries().values())
TEMPS_C = (-20.0, 5.0, 20.0, 25.0)  # up to 25 °C the pessimistic law is the plain one
HORIZON_DAYS = 1500
COUNT = 300
DAY = 1e-2  # of first-order decay under load the time is found by halving


class Fleet:
    """Random banks that do not age, each at a site of one temperature."""

    def __init__(self, seed: int) -> None:
        draw = np.random.default_rng(seed)
        self.draw = draw
        chem = draw.integers(0, len(KINDS), COUNT)
        self.kinds = [KINDS[row] for row in chem]
        self.site = draw.integers(0, len(TEMPS_C), COUNT)
        self.temp_c = np.array(TEMPS_C)[self.site]
        own_rate = draw.random(COUNT) < 0.5
        pct = np.where(own_rate, draw.uniform(0.5, 20.0, COUNT), np.nan)
        self.pct = np.array(
            [
                kind.sd_pct_month_ref if np.isnan(own) else own
                for kind, own in zip(self.kinds, pct, strict=True)
            ]
        )
        self.ma = np.where(draw.random(COUNT) < 0.3, 0.0, draw.uniform(0.0, 60.0, COUNT))
        self.capacity_ah = draw.uniform(20.0, 800.0, COUNT)
        self.banks = BankArrays.of(
            chem,
            capacity_ah=self.capacity_ah,
            cells=12.0,
            standby_ma=self.ma,
            pct_month=pct,
            made_day=DAY0,
            life_days=1e12,
            floor_soc=draw.uniform(0.2, 0.8, COUNT),
            site=self.site,
        )
        day0 = np.full(COUNT, DAY0)
        self.rates = BankRates.build(
            self.banks, EventArrays.of(), steady_sites(*TEMPS_C), day0, day0, HORIZON_DAYS
        )
        self.row = np.arange(COUNT)
        self.load = self.rates.load(self.row, np.full(COUNT, int(Supply.STANDBY)))

    def law(self, row: int) -> dict[str, object]:
        kind = self.kinds[row]
        return {
            "pct_per_month_ref": float(self.pct[row]),
            "ref_c": kind.sd_ref_c,
            "doubling_k": kind.sd_doubling_k,
            "decay": kind.sd_decay,
            "parasitic_ma": float(self.ma[row]),
            "capacity_ah": float(self.capacity_ah[row]),
        }

    def interval(self, row: int) -> float:
        kind = self.kinds[row]
        days: float = interval_days(
            self.temp_c[row],
            base_days=kind.interval_base_days,
            base_c=kind.interval_base_c,
            doubling_k=kind.interval_doubling_k,
            cap_days=kind.interval_cap_days,
        )
        return days


@pytest.fixture(params=[1, 2, 3])
def fleet(request: pytest.FixtureRequest) -> Fleet:
    return Fleet(request.param)


def test_the_standing_load(fleet: Fleet) -> None:
    expected = parasitic_pct_month(fleet.ma, fleet.capacity_ah) / 100.0 / DAYS_PER_MONTH
    np.testing.assert_allclose(fleet.load, expected, rtol=1e-12)


def test_a_load_that_is_not_known_or_cannot_be_stays_unknown() -> None:
    day = np.full(4, DAY0)
    banks = BankArrays.of(
        [0] * 4, standby_ma=[np.nan, 5.0, 0.0, -5.0], capacity_ah=[100.0, np.nan, np.nan, 100.0], site=0
    )
    rates = BankRates.build(banks, EventArrays.of(), steady_sites(20.0), day, day, 10)
    np.testing.assert_array_equal(rates.load_per_day, [np.nan, np.nan, 0.0, np.nan])


@pytest.mark.parametrize("pessimistic", [False, True])
def test_what_is_left_after_some_days(fleet: Fleet, pessimistic: bool) -> None:
    soc0, days = fleet.draw.uniform(0.3, 1.0, COUNT), fleet.draw.uniform(0.0, 700.0, COUNT)
    start = np.full(COUNT, DAY0) + 0.5
    lost = fleet.rates.loss(
        fleet.row, fleet.site, start, start + days, soc0, fleet.load, pessimistic=pessimistic
    )
    expected = [
        soc_after(float(soc0[row]), [float(days[row])], [float(fleet.temp_c[row])], **fleet.law(row))
        for row in fleet.row
    ]
    np.testing.assert_allclose(np.maximum(soc0 - lost, 0.0), expected, atol=1e-9)


@pytest.mark.parametrize("pessimistic", [False, True])
def test_the_days_to_the_floor_and_until_due(fleet: Fleet, pessimistic: bool) -> None:
    soc0 = fleet.draw.uniform(0.3, 1.0, COUNT)
    floor, used = fleet.draw.uniform(0.1, 0.9, COUNT) * soc0, fleet.draw.uniform(0.0, 1.2, COUNT)
    since = np.full(COUNT, DAY0) + 0.5
    met = (
        fleet.rates.time_of_loss(
            fleet.row, fleet.site, since, soc0 - floor, soc0, fleet.load, pessimistic=pessimistic
        )
        - since
    )
    rest = fleet.rates.interval_end(fleet.row, fleet.site, since, 1.0 - used) - since
    days = [
        days_to_floor(float(soc0[row]), float(floor[row]), float(fleet.temp_c[row]), **fleet.law(row))
        for row in fleet.row
    ]
    due = [days_until_due(days[row], float(used[row]), fleet.interval(row)) for row in fleet.row]
    within = np.array(days) < HORIZON_DAYS - 1
    np.testing.assert_allclose(met[within], np.array(days)[within], atol=DAY)
    assert np.all(met[~within] >= HORIZON_DAYS - 2)
    np.testing.assert_allclose(np.fmin(met, rest), due, atol=DAY)
    assert 50 < within.sum() < COUNT


def test_the_due_day_of_the_sweep(fleet: Fleet) -> None:
    """Charged full on one day: the day on which the low end meets the floor or the interval is over.

    The low end is a full bank less its band, and falls by LOSS_WEIGHT of every loss.
    """
    charged = EventArrays.of(
        fleet.row, [DAY0] * COUNT, [int(EventKind.CHARGE)] * COUNT, hours=1000.0, end_sign=True
    )
    answer = estimate(fleet.banks, charged, steady_sites(*TEMPS_C), DAY0 + 1)
    start = 1.0 - PESSIMISTIC_SIGMAS * SIGMA_AFTER_CHARGE
    compared = 0
    for row in fleet.row:
        if fleet.kinds[row].sd_initial_drop_frac:
            continue  # its first day is a rule of its own
        room = (start - float(fleet.banks.floor_soc[row])) / LOSS_WEIGHT
        days = days_to_floor(1.0, 1.0 - room, float(fleet.temp_c[row]), **fleet.law(row))
        due = days_until_due(days, 0.0, fleet.interval(row))
        assert answer.due_at[row] - DAY0 == pytest.approx(due, abs=DAY), (row, fleet.kinds[row].code)
        compared += 1
    assert compared > 200


def test_gravities() -> None:
    """Every gravity, plausible or not, at every temperature: the value or the refusal of the plain functions."""
    draw = np.random.default_rng(4)
    count = 2000
    observed, temp_c = draw.uniform(0.98, 1.34, count), draw.uniform(-50.0, 80.0, count)
    full, empty = draw.uniform(1.20, 1.33, count), draw.uniform(1.08, 1.24, count)
    full[::2], empty[::2] = np.nan, np.nan
    banks = BankArrays.of([chemistry_index()["flooded_sb"]] * count, cells=12.0, sg_full=full, sg_empty=empty)
    events = EventArrays.of(
        np.arange(count), [DAY0] * count, [int(EventKind.GRAVITY)] * count, value=observed, temp_c=temp_c
    )
    values = values_of_readings(banks, events)
    full, empty = np.where(np.isnan(full), SG_FULL, full), np.where(np.isnan(empty), SG_EMPTY, empty)
    said = [READING_REFUSALS[code] for code in values.refusal]
    for row in range(count):
        plain = plain_gravity(observed[row], temp_c[row], full[row], empty[row])
        if isinstance(plain, float):
            assert (said[row], values.soc[row]) == ("", plain)
        else:
            assert said[row] in plain
    assert set(said) == {"", "sg_out_of_range", "temp_out_of_range"}


def plain_gravity(observed: float, temp_c: float, full: float, empty: float) -> float | set[str]:
    """The charge state, or every refusal there is reason for."""
    refusals: set[str] = set()
    for attempt in (
        lambda: sg_correct(observed, 25.0),
        lambda: sg_correct(1.2, temp_c),
        lambda: sg_to_soc(1.2, sg_full=full, sg_empty=empty),
    ):
        try:
            attempt()
        except RejectedInput as refusal:
            refusals.add(refusal.key)
    if refusals:
        return refusals
    corrected = np.clip(sg_correct(observed, temp_c), SG_MIN, SG_MAX)
    soc: float = sg_to_soc(corrected, sg_full=full, sg_empty=empty)
    return soc
