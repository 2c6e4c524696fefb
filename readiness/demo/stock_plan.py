"""What each unit asks of its depot's stores over the two years: kits filled and renewed, consumables used, parts fitted."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from readiness.demo.plan import UnitPlan
from readiness.demo.source import Row, Source
from readiness.demo.timeline import Timeline

OPENING = -24  # day of the history on which the register was opened with what was there


@dataclass(order=True)
class Wish:
    """Something wanted of one item on one day. `until` is the day index through which the goods must last."""

    day: int
    order: int
    what: str = field(compare=False)
    unit: UnitPlan = field(compare=False)
    qty: int = field(default=0, compare=False)
    until: int = field(default=0, compare=False)
    position: str = field(default="", compare=False)
    train: str = field(default="", compare=False)
    carried_h: float = field(default=0.0, compare=False)
    carried_m3: float = field(default=0.0, compare=False)
    trip_code: str = field(default="", compare=False)


class Wishes:
    def __init__(self, source: Source, timeline: Timeline, rng: np.random.Generator) -> None:
        self.timeline = timeline
        self.rng = rng
        self.items = source.by("items")
        self.bill: dict[str, list[Row]] = {}
        for line in source["bill"]:
            self.bill.setdefault(line["design"], []).append(line)
        self.mission_days = {row["place"]: int(row["mission_days"]) for row in source["depot_terms"]}
        self.by_item: dict[tuple[str, str], list[Wish]] = {}
        self.last_until = timeline.days + 75

    def add(self, item: str, unit: UnitPlan, day: int, what: str, **more: object) -> None:
        wishes = self.by_item.setdefault((item, unit.home), [])
        wishes.append(Wish(day, len(wishes), what, unit, **more))  # type: ignore[arg-type]

    def of_unit(self, unit: UnitPlan) -> None:
        for line in self.bill[unit.design]:
            if line["purpose"] == "kit":
                self.kit(unit, line)
            else:
                self.fittings(unit, line)

    def target(self, unit: UnitPlan, line: Row) -> int:
        """Quantity for the depot's standard mission; a quantity per so many days counts whole spans."""
        if line["per_days"] is None:
            return int(line["qty"])
        return int(line["qty"]) * int(-(-self.mission_days[unit.home] // int(line["per_days"])))

    def kit(self, unit: UnitPlan, line: Row) -> None:
        item, target = line["item"], self.target(unit, line)
        shelf = self.items[item]["shelf_life_months"]
        days = self.renewal_days(unit, 30 * int(shelf) if shelf else None)
        for position, day in enumerate(days):
            until = days[position + 1] + 50 if position + 1 < len(days) else self.last_until
            self.add(item, unit, day, "renew", qty=target, until=until)
        for trip in unit.trips:
            self.use(unit, line, trip.start, trip.end, trip.code, target)
            if trip.end is not None and trip.end + 6 < self.timeline.days and not unit.has("back_from_field"):
                nexts = [day for day in days if day > trip.end + 6]
                until = nexts[0] + 50 if nexts else self.last_until
                self.add(item, unit, trip.end + 5, "fill", qty=target, until=until)

    def use(
        self, unit: UnitPlan, line: Row, start: int, end: int | None, trip_code: str, target: int
    ) -> None:
        last = self.timeline.days - 1 if end is None else end
        if line["per_days"] is None and line["item"] not in ("SED-20", "TAB-67"):
            return
        share = min(0.8, (last - start) / 55)
        used = int(target * share * float(self.rng.uniform(0.7, 1.0)))
        half = start + (last - start) // 2
        for day, qty in ((half, used // 2), (last, used - used // 2)):
            if qty:
                self.add(line["item"], unit, day, "use", qty=qty, trip_code=trip_code)

    def renewal_days(self, unit: UnitPlan, shelf_days: int | None) -> list[int]:
        """From the opening to the last renewal, never while the unit is away."""
        if shelf_days is None or shelf_days > 1400:
            return [OPENING]
        period = int(shelf_days * 0.48)
        day = self.timeline.days - 8 - int(self.rng.uniform(0.04, 0.5) * period)
        days = []
        while day > 20:
            days.append(self.at_home(unit, day))
            day -= period + int(self.rng.integers(-6, 7))
        return sorted({OPENING, *days})

    def at_home(self, unit: UnitPlan, day: int) -> int:
        """That day, or the last day before the unit left."""
        for trip in sorted(unit.trips, key=lambda trip: -trip.start):
            end = self.timeline.days if trip.end is None else trip.end + 6
            if trip.start - 3 <= day <= end:
                day = trip.start - 4
        for absence in unit.absences:
            day = min(day, self.timeline.days + int(absence["start"]) - 4)
        return day

    # --- parts in positions -------------------------------------------------------------------------------------------

    def fittings(self, unit: UnitPlan, line: Row) -> None:
        item, position = line["item"], line["position"]
        life = int(self.items[item]["service_life_months"]) * 30
        days = self.fit_days(unit, life)
        lamp = item == "UVL-80"
        opening = (
            (float(self.rng.integers(300, 2600)), 0.0) if lamp else (0.0, float(self.rng.integers(50, 600)))
        )
        carried = (0.0, 0.0)
        if unit.has("lamp_over_hours") and position in ("UV lamp A1", "UV lamp A"):
            days, carried = [self.timeline.days - 262], (7420.0, 0.0)
        if unit.has("cartridge_near_volume") and position == "Cartridge A":
            days, carried = [self.timeline.days - 232], (0.0, 2085.0)
        spans = [(OPENING, opening), *[(day, (0.0, 0.0)) for day in days[:-1]], (days[-1], carried)]
        for order, (day, (hours, volume)) in enumerate(spans):
            if order:
                self.add(item, unit, day, "remove", position=position)
            self.add(
                item,
                unit,
                day,
                "fit",
                qty=1,
                until=self.last_until if order + 1 == len(spans) else day + 40,
                position=position,
                train=line["train"] or "",
                carried_h=hours,
                carried_m3=volume,
            )
        if unit.has("back_from_field") and position in ("UV lamp A2", "Cartridge B"):
            self.add(item, unit, self.timeline.days - 1, "remove", position=position)

    def fit_days(self, unit: UnitPlan, life: int) -> list[int]:
        day = self.timeline.days - int(self.rng.uniform(0.12, 0.5) * life)
        days = []
        while day > 15:
            days.append(self.at_home(unit, day))
            day -= int(life * float(self.rng.uniform(0.82, 0.95)))
        return sorted(set(days))
