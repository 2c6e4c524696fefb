"""What people wrote down about the banks: charges with their end signs, readings with a meter's noise."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from readiness.demo.banks import AFTER_USE, DEPART, NICKEL, PARTIAL, TRIPPED, BankPlan, ChargeEvent, Truth
from readiness.demo.bay_rows import words
from readiness.demo.people import People
from readiness.demo.rows import Rows
from readiness.demo.source import Source
from readiness.demo.timeline import Timeline

ISOLATED_H = 40.0
BENCH = "bench"
CELL_V = {"vrla_gel": 2.1, "vrla_agm": 2.1, "flooded_low_sb": 2.1, "lfp": 3.3, "nimh": 1.28, "nimh_lsd": 1.28}
# What a bay must reach at the end of a charge [V per cell].
BAY_V_CELL = {"vrla_gel": 2.4, "vrla_agm": 2.45, "flooded_low_sb": 2.6, "lfp": 3.65}
END_SIGN = {
    "vrla_gel": "current_steady",
    "vrla_agm": "current_steady",
    "flooded_low_sb": "gravity_steady",
    "lfp": "bms_full",
    "nimh": "delta_v",
    "nimh_lsd": "delta_v",
}
PURPOSE = {DEPART: "depart", AFTER_USE: "after_use"}


def rest_volts(chemistry: str, cells: int, soc: float, temp_c: float) -> float:
    """Rest voltage of a bank [V] by a straight line through the upper half of its curve; flat for lithium and nickel."""
    if chemistry == "lfp":
        cell = 3.285 + 0.045 * soc
    elif chemistry in NICKEL:
        cell = 1.24 + 0.05 * soc
    elif chemistry.startswith("flooded"):
        cell = 1.971 + 0.137 * soc + 0.0002 * (temp_c - 25.0)
    else:
        top = 2.150 if chemistry == "vrla_gel" else 2.142
        cell = top - 0.184 * (1.0 - soc) + 0.0002 * (temp_c - 25.0)
    return cell * cells


class BankWriter:
    def __init__(
        self,
        rows: Rows,
        source: Source,
        banks: list[BankPlan],
        truth: Truth,
        timeline: Timeline,
        people: People,
        rng: np.random.Generator,
    ) -> None:
        self.rows = rows
        self.banks = banks
        self.truth = truth
        self.timeline = timeline
        self.people = people
        self.rng = rng
        places = source.by("places")
        self.zone = {code: places[code]["time_zone"] for code in source.depots}
        self.place_id = {row["code"]: number for number, row in enumerate(source["places"], start=1)}
        self.loggers = {row["unit"]: int(row["start"]) for row in source["loggers"]}
        self.bays = source["charger_bays"]
        self.charge_days: list[list[int]] = [[] for _ in banks]
        for event in truth.charges:
            self.charge_days[event.bank].append(event.day)

    def write(self) -> None:
        for position, bank in enumerate(self.banks):
            self.bank(bank)
            self.blocks(bank)
            self.supply(bank)
            self.readings(position, bank)
            self.tests(bank)
            if bank.main and bank.unit.tag in self.loggers:
                self.logged(position, bank, self.timeline.days + self.loggers[bank.unit.tag])
        for event in self.truth.charges:
            self.charge(event)
        for position, bank in enumerate(self.banks):
            if bank.main and bank.unit.has("charge_left_open"):
                self.open_charge(position, bank)

    # --- the things ---------------------------------------------------------------------------------------------

    def bank(self, bank: BankPlan) -> None:
        row = bank.row
        made_on = self.timeline.ago(bank.age_years * 365)
        self.rows.add(
            "fleet.BatteryBank",
            serial=bank.serial,
            chemistry=bank.chemistry,
            capacity_ah=float(row["capacity_ah"]),
            cells_in_series=row["cells_in_series"],
            strings=row["strings"],
            made_on=made_on,
            design_life_years=float(row["design_life_years"]),
            standby_ma=float(row["standby_ma"]),
            standby_measured_on=self.timeline.ago(400),
            charger_a=float(row["charger_a"]),
            floor_soc=row["floor_soc"],
            depart_soc=row["depart_soc"],
        )
        self.rows.add(
            "fleet.BankStay",
            bank_id=bank.number,
            unit_id=bank.unit.number,
            position=row["position"],
            started_at=self.instant(bank, self.timeline.index(made_on) + 25, 10),
        )

    def blocks(self, bank: BankPlan) -> None:
        made_on = self.timeline.ago(bank.age_years * 365)
        for place in range(1, int(bank.row["blocks"]) + 1):
            block = self.rows.add(
                "fleet.BatteryBlock",
                serial=f"{bank.serial}/{place}",
                chemistry=bank.chemistry,
                made_on=made_on,
                baseline_mohm=round(float(self.rng.normal(2.4, 0.08)), 2),
            )
            self.rows.add(
                "fleet.BlockStay",
                block_id=block,
                bank_id=bank.number,
                position=str(place),
                started_at=self.instant(bank, self.timeline.index(made_on) + 25, 10),
            )

    def supply(self, bank: BankPlan) -> None:
        self.event("fleet.SupplyState", bank, 0, 8, bank_id=bank.number, kind="isolated")
        if bank.supply == "isolated":
            return
        step = bank.supply_check_days or 10_000
        proofs = range(bank.supply_start, self.timeline.days, max(step - 4, 1))
        for day in list(proofs)[: 1 if bank.unit.has("float_unchecked") else None]:
            self.event(
                "fleet.SupplyState",
                bank,
                day,
                8.5,
                bank_id=bank.number,
                kind=bank.supply,
                check_interval_days=bank.supply_check_days,
            )

    def tests(self, bank: BankPlan) -> None:
        if not bank.main or bank.chemistry == "lfp":
            return
        day = self.timeline.days - int(self.rng.integers(40, 330))
        worst = float(self.rng.normal(1.12 + 0.02 * bank.age_years, 0.03))
        self.event(
            "readiness.BankTest",
            bank,
            day,
            13,
            bank_id=bank.number,
            kind="ohmic",
            worst_ratio=round(worst, 2),
        )
        if self.rng.random() < 0.5:
            share = float(self.rng.normal(0.99 - 0.015 * bank.age_years, 0.02))
            self.event(
                "readiness.BankTest",
                bank,
                day - 200,
                14,
                bank_id=bank.number,
                kind="capacity",
                capacity_ah=round(share * float(bank.row["capacity_ah"])),
                temp_c=round(float(self.truth.temp_c[bank.number - 1, day - 200]), 0),
            )

    def logged(self, position: int, bank: BankPlan, start: int) -> None:
        """A logger in the enclosure: the mean of each day, as it was where the bank stands."""
        for day in range(start, self.timeline.days):
            self.rows.add(
                "fleet.TemperatureLog",
                place_id=self.place_id[bank.unit.home],
                unit_id=bank.unit.number,
                day=self.timeline.day(day),
                mean_c=round(float(self.truth.temp_c[position, day]), 1),
                recorded_at=self.instant(bank, day + 1, 0),
            )

    # --- charges --------------------------------------------------------------------------------------------------

    def charge(self, event: ChargeEvent) -> None:
        bank = self.banks[event.bank]
        row, capacity = bank.row, float(bank.row["capacity_ah"])
        current = float(row["charger_a"])
        missing = max(event.to_soc - event.from_soc, 0.0) * capacity
        factor = 1.45 if bank.chemistry in NICKEL else (1.01 if bank.chemistry == "lfp" else 1.12)
        hours = self.hours(bank, event.kind, missing, current)
        begin = self.instant(bank, event.day, float(self.rng.uniform(7.5, 11.5)))
        whole = event.kind not in (PARTIAL, TRIPPED)
        full = event.to_soc >= 0.999
        taken = missing * factor + (0.02 * capacity if whole and bank.chemistry != "lfp" else 0.0)
        self.rows.add(
            "readiness.Charge",
            bank_id=bank.number,
            happened_at=begin,
            purpose=PURPOSE.get(event.kind, "maintenance"),
            planned_end_at=begin + dt.timedelta(hours=round(hours + 1)),
            ended_at=begin + dt.timedelta(hours=hours),
            end_sign=END_SIGN[bank.chemistry] if whole and full else ("charger_full" if whole else ""),
            to_soc=None if full or not whole else round(event.to_soc, 2),
            ah_in=round(taken, 1),
            energy_kwh=round(taken * CELL_V[bank.chemistry] * int(row["cells_in_series"]) / 880.0, 2),
            bay=self.bay_name(event.bank, bank),
            place_id=self.place_id[bank.unit.home],
            tripped=event.kind == TRIPPED,
            note="Breaker out after an hour, reset, not begun again" if event.kind == TRIPPED else "",
            **self.written(bank, begin + dt.timedelta(hours=hours)),
        )

    def hours(self, bank: BankPlan, kind: str, missing_ah: float, current_a: float) -> float:
        if kind == TRIPPED:
            return 1.2
        if kind == PARTIAL:
            return round(missing_ah * 1.1 / current_a + 0.5, 1)
        if bank.chemistry in NICKEL:
            return round(max(15.0, missing_ah * 1.6 / current_a), 1)
        if bank.chemistry == "lfp":
            return round(missing_ah / current_a + 1.6, 1)
        return round(missing_ah / (0.85 * current_a) + 8.0 + float(self.rng.uniform(0.0, 2.0)), 1)

    def open_charge(self, position: int, bank: BankPlan) -> None:
        begin = self.instant(bank, self.timeline.days - 2, 15)
        self.rows.add(
            "readiness.Charge",
            bank_id=bank.number,
            happened_at=begin,
            purpose="maintenance",
            planned_end_at=begin + dt.timedelta(hours=10),
            ended_at=None,
            end_sign="",
            bay=self.bay_name(position, bank),
            place_id=self.place_id[bank.unit.home],
            note="",
            **self.written(bank, begin),
        )

    # --- readings ---------------------------------------------------------------------------------------------------

    def readings(self, position: int, bank: BankPlan) -> None:
        last = self.timeline.days - int(self.rng.integers(2, 26))
        if bank.unit.has("stale_reading"):
            last = self.timeline.days - 131
        if bank.main and bank.unit.has("float_unchecked"):
            last = self.timeline.days - 140
        step = 9 if bank.main and bank.unit.has("fading_bank") else 30
        day = last
        away = bank.unit.away_days(self.timeline.days)
        while day > 3:
            used = self.rested_day(position, day, away)
            if used is not None:
                self.reading(position, bank, used, len(self.rows.of("readiness.Reading")))
            day -= step + int(self.rng.integers(-3, 4))

    def rested_day(self, position: int, day: int, away: Any) -> int | None:
        """The nearest day not after `day`, at home, and at least two days after a charge."""
        for candidate in range(day, max(day - 6, 2), -1):
            recent = any(0 <= candidate - charged <= 2 for charged in self.charge_days[position])
            if not recent and not away[candidate]:
                return candidate
        return None

    def reading(self, position: int, bank: BankPlan, day: int, serial: int) -> None:
        soc = float(self.truth.soc[position, day])
        temp = round(float(self.truth.temp_c[position, day]) + float(self.rng.normal(0.0, 0.8)), 1)
        cells = int(bank.row["cells_in_series"])
        values: dict[str, Any] = {"kind": "voltage", "temp_c": temp, "rest_h": self.rest(position, day)}
        careless = self.rng.random()
        if bank.chemistry in NICKEL or (bank.chemistry == "lfp" and not bank.unit.has("plateau_only")):
            shown = min(1.0, max(0.0, soc + float(self.rng.normal(0.0, 0.015))))
            values.update(kind="meter", meter_soc=round(shown, 2), rest_h=None)
        elif bank.chemistry.startswith("flooded") and serial % 2:
            gravity = 1.120 + 0.145 * soc - 0.0007 * (temp - 25.0) + float(self.rng.normal(0.0, 0.002))
            values.update(kind="gravity", gravity_sg=round(gravity, 3))
        else:
            blocks = max(int(bank.row["blocks"]), 1)
            true_v = rest_volts(bank.chemistry, cells, soc, temp)
            shown_v = true_v * (1.0 + float(self.rng.normal(0.0, 0.0008))) + float(
                self.rng.normal(0.0, 0.015)
            )
            values["volts_v"] = round(shown_v, 2)
            values["lowest_block_v"] = round(true_v / blocks - abs(float(self.rng.normal(0.0, 0.006))), 3)
            if self.isolated_for_reading(bank, day):
                values["rest_h"] = min(values["rest_h"], ISOLATED_H)
            if careless < 0.03:
                values["rest_h"] = 2.0  # taken too early
            elif careless < 0.05:
                values["rest_h"] = None
        self.event(
            "readiness.Reading", bank, day, float(self.rng.uniform(7.2, 10.8)), bank_id=bank.number, **values
        )

    def isolated_for_reading(self, bank: BankPlan, day: int) -> bool:
        """A bank that something charges is taken off it two days before its voltage is read, and put back the same noon."""
        supplied = bank.supply in ("float", "own_array") and day - 2 > bank.supply_start
        if not supplied or bank.unit.has("float_unchecked"):
            return False
        self.event("fleet.SupplyState", bank, day - 2, 14, bank_id=bank.number, kind="isolated")
        self.event(
            "fleet.SupplyState",
            bank,
            day,
            12,
            bank_id=bank.number,
            kind=bank.supply,
            check_interval_days=bank.supply_check_days,
        )
        return True

    def rest(self, position: int, day: int) -> float:
        since = min((day - charged for charged in self.charge_days[position] if charged < day), default=30)
        return float(min(since * 24 - 14, int(self.rng.integers(26, 80))))

    # --- helpers ----------------------------------------------------------------------------------------------------

    def bay_name(self, position: int, bank: BankPlan) -> str:
        """A bay of its depot whose charger has a programme for it, the banks shared among them."""
        if not bank.main:
            return BENCH
        end_v = BAY_V_CELL[bank.chemistry] * int(bank.row["cells_in_series"])
        suitable = [
            bay["name"]
            for bay in self.bays
            if bay["place"] == bank.unit.home
            and bank.chemistry in words(bay["profiles"])
            and end_v <= bay["max_v"]
            and bay["to_days_ago"] is None
        ]
        return str(suitable[position % len(suitable)])

    def instant(self, bank: BankPlan, day: float, hour: float) -> dt.datetime:
        return self.timeline.at(day, self.zone[bank.unit.home], hour).replace(second=0, microsecond=0)

    def event(self, table: str, bank: BankPlan, day: int, hour: float, **values: Any) -> int:
        at = self.instant(bank, day, hour)
        return self.rows.add(table, happened_at=at, **values, **self.written(bank, at))

    def written(self, bank: BankPlan, at: dt.datetime) -> dict[str, Any]:
        return self.people.written(bank.unit.home, at)
