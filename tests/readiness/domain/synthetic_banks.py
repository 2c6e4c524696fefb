"""Banks whose truth is known: a day-by-day simulation with its own formulas, and the records that people would make of it.

Nothing of the product is used here but its containers of records. Figures: reference page on battery storage,
rest voltages 1.1 (absorbent mats and gel), self-discharge 2.1 (gel 1.5 to 3 % a month at 20 degC) doubling per 10 K (2.2).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from readiness.domain.bank_records import BankArrays, EventArrays, EventKind, Supply
from readiness.domain.chemistry import chemistry_index
from readiness.domain.thermal import Sites

DAY0 = 20000
MONTH_MEAN_C = np.array([5.0, 6.0, 9.0, 13.0, 18.0, 24.0, 28.0, 27.0, 22.0, 16.0, 10.0, 6.0])
# A 24 V gel bank at rest, 25 degC, 1.1: charge states 0, 0.25, 0.5, 0.75, 1.
REST_V = 2.0 * np.array([11.80, 12.00, 12.35, 12.65, 12.90])
REST_SOC = np.array([0.0, 0.25, 0.5, 0.75, 1.0])


@dataclass(frozen=True)
class World:
    """How the truth differs from what is believed of it. Everything is drawn anew for each bank unless it is given.

    `rate_pct_month` the bank's self-discharge at 20 degC; `hidden_ma` [mA] from `hidden_from` [d] on; `fading_from` [d] from
    when its self-discharge grows by `fading_per_month`; `site_off_k` how wrong the climate is.
    """

    days: int = 730
    reading_days: int = 30
    charge_days: int = 150
    missing: float = 0.15
    curve_sigma: float = 0.06
    meter_v: float = 0.06
    noise_v: float = 0.05
    site_off_k: float = 2.0
    weather_k: float = 3.0
    rate_low: float = 1.5
    rate_high: float = 3.0
    hidden_ma: dict[int, float] = field(default_factory=dict)
    hidden_from: int = 0
    fading_from: dict[int, int] = field(default_factory=dict)
    fading_per_month: float = 0.4
    ah_known: bool = True


@dataclass(frozen=True)
class Simulated:
    """`banks`, `events`, `sites` as the product is given them; `soc` (banks, days) and `pct_month` the truth,
    the latter at a place that the climate calls 20 degC and that is `site_off_k` off."""

    banks: BankArrays
    events: EventArrays
    sites: Sites
    soc: np.ndarray[Any, np.dtype[np.float64]]
    pct_month: np.ndarray[Any, np.dtype[np.float64]]

    @property
    def end(self) -> float:
        return float(DAY0 + self.soc.shape[1])


def simulate(seed: int, count: int, world: World = World()) -> Simulated:
    """`count` gel banks of 600 Ah, each simulated for `world.days` days and read about every month."""
    random = np.random.default_rng(seed)
    capacity = 600.0
    calendar = np.datetime64("1970-01-01") + np.arange(DAY0, DAY0 + world.days)
    month = calendar.astype("datetime64[M]").astype(np.int64) % 12
    middle, half = np.log(world.rate_low * world.rate_high) / 2, np.log(world.rate_high / world.rate_low) / 2
    pct_month = np.exp(random.normal(middle, half / 1.645, count))
    off_k = random.normal(0.0, world.site_off_k, count)
    curve = random.normal(0.0, world.curve_sigma, count)
    meter = random.normal(0.0, world.meter_v / 2, count)
    soc = np.empty((count, world.days))
    rows: list[dict[str, Any]] = []
    for bank in range(count):
        weather = _weather(random, world.days, world.weather_k)
        temps = MONTH_MEAN_C[month] + off_k[bank] + weather
        state, next_read, last_charge = 1.0, int(random.integers(20, 45)), 0
        rows.append(_charge(bank, 0, 48.0, np.nan))
        rows.append({"bank": bank, "time": float(DAY0), "kind": EventKind.SUPPLY, "supply": Supply.ISOLATED})
        for day in range(world.days):
            rate = pct_month[bank] / 100.0 / 30.0 * 2.0 ** ((temps[day] - 20.0) / 10.0)
            if day >= world.fading_from.get(bank, world.days):
                rate *= (1.0 + world.fading_per_month) ** ((day - world.fading_from[bank]) / 30.0)
            drawn = world.hidden_ma.get(bank, 0.0) * (day >= world.hidden_from)
            state = max(0.0, state - rate - drawn * 24.0 / 1000.0 / capacity)
            soc[bank, day] = state
            if day == next_read:
                next_read += world.reading_days + int(random.integers(-4, 5))
                if random.random() >= world.missing:
                    shown = _rest_v(state + curve[bank])
                    shown += meter[bank] + random.normal(0.0, world.noise_v)
                    rows.append(_volts(bank, day + 0.5, round(shown, 2), round(temps[day])))
            if day - last_charge >= world.charge_days:
                ah = (1.0 - state) * capacity * random.uniform(1.06, 1.14) + random.uniform(0.0, 20.0)
                rows.append(_charge(bank, day + 0.9, 20.0, round(ah, 0) if world.ah_known else np.nan))
                state, last_charge = float(random.normal(0.99, 0.01)), day
                state = min(state, 1.0)
    blank: dict[str, Any] = {"supply": int(Supply.UNKNOWN), "end_sign": False}
    keys = ("value", "temp_c", "rest_h", "hours", "end_sign", "ah", "supply")
    columns = {key: [row.get(key, blank.get(key, np.nan)) for row in rows] for key in keys}
    events = EventArrays.of(
        [row["bank"] for row in rows],
        [row["time"] for row in rows],
        [int(row["kind"]) for row in rows],
        **columns,
    )
    banks = BankArrays.of(
        np.full(count, chemistry_index()["vrla_gel"]),
        capacity_ah=capacity,
        cells=12.0,
        standby_ma=0.0,
        charger_a=60.0,
        made_day=float(DAY0),
        life_days=1e9,
        site=0,
    )
    sites = Sites(MONTH_MEAN_C[None, :], np.zeros(1), np.zeros(1))
    return Simulated(banks, events, sites, soc, pct_month * 2.0 ** (off_k / 10.0))


def _rest_v(soc: float) -> float:
    """Rest voltage [V]; a maker whose curve lies higher shows more than the table's full, so the last slope goes on."""
    beyond = max(0.0, soc - 1.0) * (REST_V[-1] - REST_V[-2]) / (REST_SOC[-1] - REST_SOC[-2])
    return float(np.interp(soc, REST_SOC, REST_V)) + beyond


def _weather(random: np.random.Generator, days: int, sigma_k: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Days that are warmer or colder than the month's mean, each much like the one before."""
    out = np.empty(days)
    now = 0.0
    for day in range(days):
        now = 0.8 * now + 0.6 * random.normal(0.0, sigma_k)
        out[day] = now
    return out


def _charge(bank: int, day: float, hours: float, ah: float) -> dict[str, Any]:
    return {
        "bank": bank,
        "time": DAY0 + day,
        "kind": EventKind.CHARGE,
        "hours": hours,
        "end_sign": True,
        "ah": ah,
    }


def _volts(bank: int, day: float, volts: float, temp_c: float) -> dict[str, Any]:
    return {
        "bank": bank,
        "time": DAY0 + day,
        "kind": EventKind.VOLTAGE,
        "value": volts,
        "temp_c": float(temp_c),
        "rest_h": 48.0,
    }
