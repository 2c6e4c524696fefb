"""The rates of many banks at once: what each loses and how much of its interval it uses between two instants."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Self

import numpy as np

from readiness.domain.bank_records import BankArrays, EventArrays, EventKind, Supply
from readiness.domain.chemistry import FIRST_ORDER, chemistries, chemistry_column
from readiness.domain.fusion import PESSIMISTIC_SIGMAS
from readiness.domain.inputs import DAYS_PER_MONTH, BoolArray, FloatArray, IntArray
from readiness.domain.rest_voltage import is_lithium, is_nickel
from readiness.domain.self_discharge import load_per_day, step_loss
from readiness.domain.storage_policy import top_up_level
from readiness.domain.thermal import IntervalLaw, Law, RateLaw, Sites, ThermalTables

LOADED_STEPS = 8
# Lithium stands at about half to last; to leave it is charged. Others stand full: their floor is what they leave with.
LITHIUM_DEPART_SOC = 0.90
BISECTIONS = 20


@dataclass(frozen=True)
class BankRates:
    """What does not change from record to record about the rates. Arguments: `bank` rows, the `site` where each is."""

    tables: ThermalTables
    chem: IntArray
    law_best: IntArray
    law_worst: IntArray
    law_interval: IntArray
    per_day: FloatArray
    age_level: FloatArray
    age_slope: FloatArray
    first_order: BoolArray
    nickel: BoolArray
    load_per_day: FloatArray
    hidden_per_day: FloatArray
    loss_sigma: FloatArray
    capacity_ah: FloatArray
    charger_a: FloatArray
    floor_soc: FloatArray
    depart_soc: FloatArray
    top_up_soc: FloatArray
    initial_drop: FloatArray
    charge_factor: FloatArray
    min_refresh_h: FloatArray

    @classmethod
    def build(
        cls,
        banks: BankArrays,
        events: EventArrays,
        sites: Sites,
        first: FloatArray,
        asked: FloatArray,
        horizon_days: int,
    ) -> Self:
        chem = banks.chem

        def own(override: FloatArray, name: str) -> FloatArray:
            return np.where(np.isnan(override), chemistry_column(name)[chem], override)

        laws: dict[Hashable, int] = {}
        column = chemistry_column
        best = _law_rows(laws, (column("sd_ref_c")[chem], column("sd_doubling_k")[chem]), "best")
        worst = _law_rows(laws, (column("sd_ref_c")[chem], column("sd_doubling_k")[chem]), "worst")
        cap_days = np.fmin(column("interval_cap_days")[chem], banks.interval_cap_days)
        interval = _law_rows(
            laws,
            (
                column("interval_base_days")[chem],
                column("interval_base_c")[chem],
                column("interval_doubling_k")[chem],
                cap_days,
            ),
            "interval",
        )
        start = int(np.floor(first.min(initial=0.0 if not len(banks) else np.inf)))
        end = int(np.ceil(asked.max(initial=start))) + horizon_days
        tables = ThermalTables(
            sites,
            [_law(key) for key in laws],
            _pairs(banks, events, sites, (best, worst, interval)),
            start,
            end - start,
        )
        age_level, age_slope = _ageing(banks, first, tables.start)
        capacity = banks.capacity_ah
        drawing = (banks.standby_ma > 0.0) & (capacity > 0.0)
        load = np.where(banks.standby_ma == 0.0, 0.0, np.nan)
        load[drawing] = load_per_day(banks.standby_ma[drawing], capacity[drawing])
        floor_soc = own(banks.floor_soc, "trigger_soc")
        usual = np.where(is_lithium(chem), LITHIUM_DEPART_SOC, floor_soc)
        first_order = np.array([record.sd_decay == FIRST_ORDER for record in chemistries().values()])[chem]
        return cls(
            tables=tables,
            chem=chem,
            law_best=best,
            law_worst=worst,
            law_interval=interval,
            per_day=own(banks.pct_month, "sd_pct_month_ref") / 100.0 / DAYS_PER_MONTH * banks.rate_scale,
            age_level=age_level,
            age_slope=age_slope,
            first_order=first_order,
            nickel=is_nickel(chem),
            load_per_day=load,
            hidden_per_day=banks.hidden_per_day,
            loss_sigma=banks.loss_sigma,
            capacity_ah=capacity,
            charger_a=banks.charger_a,
            floor_soc=floor_soc,
            depart_soc=np.where(np.isnan(banks.depart_soc), usual, banks.depart_soc),
            top_up_soc=top_up_level(banks.kept_soc, floor_soc),
            initial_drop=column("sd_initial_drop_frac")[chem],
            charge_factor=column("charge_factor")[chem],
            min_refresh_h=column("min_refresh_h")[chem],
        )

    def load(self, bank: IntArray, supply: IntArray) -> FloatArray:
        """Standing load [1/d]; when isolated only what is hidden, NaN when it counts and is not known."""
        drawn = np.where(supply == Supply.ISOLATED, 0.0, self.load_per_day[bank])
        return drawn + self.hidden_per_day[bank]

    def loss_weight(self, bank: IntArray) -> FloatArray:
        """How much of a predicted loss the low end falls by [1]: the loss and 1.28 of its doubt."""
        return 1.0 + PESSIMISTIC_SIGMAS * self.loss_sigma[bank]

    def published(self, bank: IntArray, site: IntArray, t0: FloatArray, t1: FloatArray) -> FloatArray:
        """Self-discharge between two instants by the bank's stated rate: loss [1], or the exponent of a first-order decay.

        NaN where there is no climate.
        """
        row = self.row(bank, site)
        return np.where(row < 0, np.nan, self._decay(np.maximum(row, 0), bank, t0, t1))

    def row(self, bank: IntArray, site: IntArray) -> IntArray:
        """Row of the bank's rate table where it stands; -1 where there is no climate."""
        return self._row(self.law_best, bank, site)

    def loss(
        self,
        bank: IntArray,
        site: IntArray,
        t0: FloatArray,
        t1: FloatArray,
        soc: FloatArray,
        load: FloatArray,
        *,
        pessimistic: bool,
    ) -> FloatArray:
        """Charge state lost [1] between `t0` and `t1` from `soc` on."""
        row = self._row(self.law_worst if pessimistic else self.law_best, bank, site)
        decay = self._decay(row, bank, t0, t1)
        loss = step_loss(soc, decay, load * (t1 - t0), first_order=self.first_order[bank])
        loaded = np.flatnonzero(self.first_order[bank] & (load > 0.0))
        if loaded.size:
            loss[loaded] = self._loaded_loss(
                row[loaded], bank[loaded], t0[loaded], t1[loaded], soc[loaded], load[loaded]
            )
        return loss

    def time_of_loss(
        self,
        bank: IntArray,
        site: IntArray,
        since: FloatArray,
        amount: FloatArray,
        soc: FloatArray,
        load: FloatArray,
        *,
        pessimistic: bool,
    ) -> FloatArray:
        """First time at which `amount` has been lost since `since`; infinite beyond the horizon."""
        row = self._row(self.law_worst if pessimistic else self.law_best, bank, site)
        decaying = self.first_order[bank]
        with np.errstate(divide="ignore", invalid="ignore"):
            needed = np.where(decaying, -np.log1p(-np.minimum(amount / soc, 1.0)), amount)
            rate = self.per_day[bank]
            scaled = np.where(rate > 0.0, needed / rate, np.inf)
        plain = np.where(decaying, 0.0, load)
        by_load_only = np.where(plain > 0.0, since + needed / np.where(plain > 0.0, plain, 1.0), np.inf)
        usable = np.isfinite(scaled)
        level, slope = self.age_level[bank], self.age_slope[bank]
        with np.errstate(divide="ignore", invalid="ignore"):
            met = self.tables.time_of(
                row, since, np.where(usable, scaled, 0.0), level, slope, np.where(usable, plain / rate, 0.0)
            )
        met = np.where(usable, met, by_load_only)
        loaded = np.flatnonzero(decaying & (load > 0.0))
        if loaded.size:
            met[loaded] = self._loaded_time(
                row[loaded], bank[loaded], since[loaded], amount[loaded], soc[loaded], load[loaded]
            )
        return met

    def interval_share(self, bank: IntArray, site: IntArray, t0: FloatArray, t1: FloatArray) -> FloatArray:
        """Part of the interval used between two instants; NaN without a climate."""
        row = self._row(self.law_interval, bank, site)
        share = self.tables.total(row, t1) - self.tables.total(row, t0)
        return np.where(row < 0, np.nan, share)

    def interval_end(self, bank: IntArray, site: IntArray, since: FloatArray, rest: FloatArray) -> FloatArray:
        """When the rest of the interval is used up, counted from `since`; NaN without a climate."""
        row = self._row(self.law_interval, bank, site)
        one, none = np.ones(len(bank)), np.zeros(len(bank))
        due = self.tables.time_of(
            row, since, np.where(np.isnan(rest), 0.0, np.maximum(rest, 0.0)), one, none, none
        )
        return np.where((row < 0) | np.isnan(rest), np.nan, due)

    def _row(self, law: IntArray, bank: IntArray, site: IntArray) -> IntArray:
        return np.where(site < 0, -1, self.tables.row_of[law[bank], np.maximum(site, 0)])

    def _decay(self, row: IntArray, bank: IntArray, t0: FloatArray, t1: FloatArray) -> FloatArray:
        level, slope = self.age_level[bank], self.age_slope[bank]
        grown = self.tables.aged(row, t1, level, slope) - self.tables.aged(row, t0, level, slope)
        return self.per_day[bank] * grown

    def _loaded_loss(
        self, row: IntArray, bank: IntArray, t0: FloatArray, t1: FloatArray, soc: FloatArray, load: FloatArray
    ) -> FloatArray:
        """First-order decay with a standing load: exact in each of a few steps, the rate taken as steady inside a step."""
        state = soc.copy()
        step = (t1 - t0) / LOADED_STEPS
        for number in range(LOADED_STEPS):
            begin = t0 + number * step
            decay = self._decay(row, bank, begin, begin + step)
            state = state - step_loss(state, decay, load * step, first_order=True)
        return soc - state

    def _loaded_time(
        self,
        row: IntArray,
        bank: IntArray,
        since: FloatArray,
        amount: FloatArray,
        soc: FloatArray,
        load: FloatArray,
    ) -> FloatArray:
        low = since.copy()
        # The load alone empties the bank by then, so the answer lies before it.
        high = np.minimum(since + amount / load, self.tables.end)
        beyond = self._loaded_loss(row, bank, since, high, soc, load) < amount
        for _ in range(BISECTIONS):
            middle = 0.5 * (low + high)
            reached = self._loaded_loss(row, bank, since, middle, soc, load) >= amount
            high = np.where(reached, middle, high)
            low = np.where(reached, low, middle)
        return np.where(beyond, np.inf, high)


def _law_rows(laws: dict[Hashable, int], columns: tuple[FloatArray, ...], kind: str) -> IntArray:
    """The law each bank goes by, as position in `laws`, which grows by the new ones."""
    table = np.stack(columns, axis=1) if len(columns[0]) else np.zeros((0, len(columns)))
    unique, inverse = np.unique(table, axis=0, return_inverse=True)
    numbers = [laws.setdefault((kind, *values), len(laws)) for values in unique.tolist()]
    return np.array(numbers, dtype=np.int64)[inverse.ravel()] if numbers else np.zeros(0, dtype=np.int64)


def _law(key: Hashable) -> Law:
    assert isinstance(key, tuple)
    kind, *values = key
    if kind == "interval":
        return IntervalLaw(*values)
    return RateLaw(values[0], values[1], pessimistic=kind == "worst")


def _pairs(banks: BankArrays, events: EventArrays, sites: Sites, laws: tuple[IntArray, ...]) -> IntArray:
    """The (law, site) pairs that occur: where banks stood at first and where they were moved."""
    moved = (events.kind == EventKind.SITE) & (events.site >= 0)
    bank = np.concatenate([np.arange(len(banks)), events.bank[moved]])
    site = np.concatenate([banks.site, events.site[moved]])
    bank, site = bank[site >= 0], site[site >= 0]
    codes = [law[bank] * max(sites.count, 1) + site for law in laws]
    unique = np.unique(np.concatenate(codes)) if codes else np.zeros(0, dtype=np.int64)
    return np.stack(np.divmod(unique, max(sites.count, 1)), axis=1)


def _ageing(banks: BankArrays, first: FloatArray, start: float) -> tuple[FloatArray, FloatArray]:
    """The age factor as a straight line over the grid's time: at its start, and its growth per day.

    A bank cannot be younger than its first record; an unknown age or life counts as the end of life.
    """
    growth = chemistry_column("sd_age_factor_end_of_life")[banks.chem] - 1.0
    known = np.isfinite(banks.made_day) & (banks.life_days > 0.0)
    made = np.minimum(np.where(known, banks.made_day, 0.0), first)
    slope = np.where(known, growth / np.where(known, banks.life_days, 1.0), 0.0)
    return np.where(known, 1.0 + slope * (start - made), 1.0 + growth), slope
