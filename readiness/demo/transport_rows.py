"""How the units of the scenario may travel: what banks and goods are to the rules, who looked at what, papers of lifting.

Most units can go by something; each row of `fixtures/demo/transport_cases.csv` is one that cannot, or of which too little
is known.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from typing import Any

import numpy as np

from readiness.demo.banks import BankPlan
from readiness.demo.base_rows import Keys
from readiness.demo.people import People
from readiness.demo.plan import UnitPlan
from readiness.demo.rows import NamedRow, Rows
from readiness.demo.source import Row, Source, facts_of
from readiness.demo.stock_plan import Wish
from readiness.demo.stores import Stores
from readiness.demo.timeline import Timeline, months_later

TERMS_DAYS_AGO = 1100
BANK_FACTS = (
    "config",
    "host",
    "un383",
    "net_mass_kg",
    "spare_sets",
    "vib_pressure_ok",
    "no_free_liquid_55c",
    "marked_nonspillable",
    "discharge_allowed",
    "discharge_w",
    "source",
)
# Modules that travel apart: two to a case.
APART = {"config": "alone", "host": None, "net_mass_kg": 32, "package_gross_kg": 35}
# How many days before today it happened.
LONG_AGO, LIST_STALE, LIST_BEFORE_STRIKE, STRUCK, TANK_LONG_AGO = 47, 224, 41, 12, 31
PROOF_OVERDUE, PROOF_MARGIN, PROOF_MONTHS = 40, 80, 12
PLATE_LAPSED = 9
# Cases that further units of a larger fleet may be, with their share.
COMMON_CASES = (
    ("list_never", 0.03),
    ("looked_long_ago", 0.04),
    ("proof_overdue", 0.02),
    ("proof_never", 0.02),
)
EXTRA_ITEMS = {"item_unsaid": "DSC-5", "hypochlorite_aboard": "SAN-12"}
LOW_SOC, CHARGED_SOC = 0.28, 0.57


def write_transport_facts(rows: Rows, source: Source, keys: Keys, timeline: Timeline) -> None:
    """The owner's terms, and what each item is to the rules."""
    for terms in source["transport_terms"]:
        rows.add("fleet.TransportTerms", valid_from=timeline.ago(TERMS_DAYS_AGO), **terms)
    for row in source["item_goods"]:
        rows.add(
            "inventory.ItemGoods",
            item_id=keys.item[row["item"]],
            kind=row["kind"],
            attributes=facts_of(row["facts"]),
            removable=row["removable"],
            source=row["source"],
        )


class TransportWriter:
    """Rows of each unit; `write` comes after the ledger has all its movements."""

    def __init__(
        self,
        rows: Rows,
        source: Source,
        keys: Keys,
        timeline: Timeline,
        people: People,
        rng: np.random.Generator,
    ) -> None:
        self.rows = rows
        self.source = source
        self.keys = keys
        self.timeline = timeline
        self.people = people
        self.rng = rng
        self.zone = {row["code"]: row["time_zone"] for row in source["places"]}
        self.bank_facts = {(row["design"], row["position"]): row for row in source["bank_transport"]}
        self.lines: dict[str, list[Row]] = defaultdict(list)
        for row in source["goods_lines"]:
            self.lines[row["design"]].append(row)
        self.listed: dict[str, set[str]] = defaultdict(set)
        none = {row["item"] for row in source["item_goods"] if row["kind"] == "none"}
        for line in source["bill"]:
            if line["item"] not in none:
                self.listed[line["design"]].add(line["item"])
        self.cases: dict[str, set[str]] = defaultdict(set)
        for row in source["transport_cases"]:
            self.cases[row["subject"]].add(row["key"])
        self.hand_written = {row["tag"] for row in source["units"]}

    def write(self, units: list[UnitPlan], banks: list[BankPlan], stores: Stores) -> None:
        of_unit: dict[int, list[BankPlan]] = defaultdict(list)
        for bank in banks:
            of_unit[bank.unit.number].append(bank)
        for unit in units:
            if unit.surveyed:
                self.unit(unit, of_unit[unit.number], stores)
        by_tag = {unit.tag: unit for unit in units}
        self.modifications(by_tag)
        self.own_forms(by_tag)

    def unit(self, unit: UnitPlan, banks: list[BankPlan], stores: Stores) -> None:
        cases = self.cases_of(unit)
        self.proof(unit, cases)
        if "summary_missing" in cases or "report_missing" in cases:
            self.without_report(unit)
        if "plate_lapsed" in cases:
            self.lapsed(unit, "container_plate", PLATE_LAPSED)
        extra = self.extra_items(unit, cases, stores)
        looked = self.day_looked(unit)
        for bank in banks:
            self.bank(unit, bank, cases, looked)
        lines = self.own_lines(unit, cases, looked)
        self.list_word(
            unit,
            cases,
            [f"bank:{bank.serial}" for bank in banks]
            + [f"item:{code}" for code in sorted(self.listed[unit.design] | extra)]
            + lines,
        )

    def cases_of(self, unit: UnitPlan) -> set[str]:
        drawn = {key for key, share in COMMON_CASES if self.rng.random() < share}
        if unit.tag not in self.hand_written:
            self.cases[unit.tag] = drawn
        return self.cases[unit.tag]

    # --- papers ---------------------------------------------------------------------------------------------------

    def proof(self, unit: UnitPlan, cases: set[str]) -> None:
        """The proof test of the lifting points, in date for any mission unless the case says otherwise."""
        left = int(self.rng.integers(PROOF_MARGIN, 30 * PROOF_MONTHS - 20))
        if "proof_never" in cases:
            return
        expires = self.timeline.ago(PROOF_OVERDUE if "proof_overdue" in cases else -left)
        issued = months_later(expires, -PROOF_MONTHS) + dt.timedelta(days=1)
        self.event(
            "fleet.Certificate",
            unit,
            self.timeline.index(issued),
            12,
            kind="proof_load",
            number=f"PL{issued:%y%m}-{unit.number:04d}",
            issuer="Harbour Lifting Surveyors",
            issued_on=issued,
            expires_on=expires,
        )

    def without_report(self, unit: UnitPlan) -> None:
        """The report on the battery was filed with the wrong unit and struck out."""
        for row in self.rows.of("fleet.Certificate"):
            if row["unit_id"] == unit.number and row["kind"] in ("battery_summary", "non_spillable"):
                row["struck_at"] = self.instant(unit, self.timeline.days - 35, 14)
                row["struck_by_id"] = self.people.crew[unit.home]
                row["struck_reason"] = "The report is about another type of battery"

    def lapsed(self, unit: UnitPlan, kind: str, days_ago: int) -> None:
        """No paper of the kind lasts longer than that."""
        for row in self.rows.of("fleet.Certificate"):
            if row["unit_id"] == unit.number and row["kind"] == kind:
                row["expires_on"] = min(row["expires_on"], self.timeline.ago(days_ago))

    # --- banks ------------------------------------------------------------------------------------------------------

    def bank(self, unit: UnitPlan, bank: BankPlan, cases: set[str], looked: int) -> None:
        facts = self.bank_facts[unit.design, bank.row["position"]]
        values = {name: facts[name] for name in BANK_FACTS if facts[name] is not None}
        if bank.main:
            if cases & {"modules_low", "modules_charged"}:
                values = {name: value for name, value in {**values, **APART}.items() if value is not None}
                self.metered(unit, bank, LOW_SOC if "modules_low" in cases else CHARGED_SOC)
            if "host_unclear" in cases:
                values["host"] = "unclear"
            if "discharge_unsaid" in cases:
                del values["discharge_allowed"]
        if not (bank.main and "bank_unsaid" in cases):
            self.rows.add("fleet.BankTransport", bank_id=bank.number, **values)
        answers = {"condition": "ok", "terminals": "yes"}
        if bank.chemistry.startswith("flooded"):
            ticks = "ticks_us" if unit.home == "PHX" else "ticks_adr"
            answers |= {"upright": "yes", ticks: "yes"}
        note = ""
        if bank.main and "damaged_bank" in cases:
            answers["condition"] = "damaged"
            note = "Case of one module swollen; isolated and fenced off"
        if bank.main and "terminals_open" in cases:
            answers["terminals"] = "no"
            note = "Caps of two blocks are missing"
        self.look(unit, looked, answers, note, bank_id=bank.number)

    def metered(self, unit: UnitPlan, bank: BankPlan, soc: float) -> None:
        """What the bank's own meter showed yesterday in the afternoon."""
        at = self.instant(unit, self.timeline.days - 1, 16.5)
        self.rows.add(
            "readiness.Reading",
            happened_at=at,
            **self.people.written(unit.home, at),
            bank_id=bank.number,
            kind="meter",
            meter_soc=soc,
            temp_c=21.0,
            rest_h=None,
        )

    # --- the list of goods ------------------------------------------------------------------------------------------

    def extra_items(self, unit: UnitPlan, cases: set[str], stores: Stores) -> set[str]:
        """A can that is no part of the kit."""
        codes = {EXTRA_ITEMS[case] for case in cases & set(EXTRA_ITEMS)}
        day = self.timeline.days - 29
        for code in sorted(codes):
            wish = Wish(day, 0, "fill", unit, qty=1, until=self.timeline.days + 75)
            stores.issue(code, unit.home, wish, 1, stores.at(unit.home, day, 11.0))
        return codes

    def own_lines(self, unit: UnitPlan, cases: set[str], looked: int) -> list[NamedRow]:
        found = []
        for row in self.lines[unit.design]:
            number = self.event(
                "inventory.GoodsLine",
                unit,
                3,
                13,
                label=row["label"],
                kind=row["kind"],
                attributes=facts_of(row["facts"]),
                pieces=row["pieces"],
                mass_kg=float(row["mass_kg"]),
                removable=row["removable"],
                source=row["source"],
            )
            found.append(NamedRow("line:", "inventory.GoodsLine", number))
            if row["kind"] == "battery":
                self.look(unit, looked, {"condition": "ok", "terminals": "yes"}, "", line_id=number)
            if row["kind"] == "engine":
                self.tank(unit, cases, number)
        if "line_gone" in cases:
            found.append(NamedRow("line:", "inventory.GoodsLine", self.gone_line(unit)))
        return found

    def gone_line(self, unit: UnitPlan) -> int:
        number = self.event(
            "inventory.GoodsLine",
            unit,
            self.timeline.days - 90,
            13,
            label="Spray can of zinc paint",
            kind="goods",
            attributes={"un": "1950", "qty": 0.4},
            pieces=1,
            mass_kg=0.5,
            removable=True,
            source="print on the can",
        )
        self.rows.get("inventory.GoodsLine", number).update(
            struck_at=self.instant(unit, self.timeline.days - STRUCK, 15),
            struck_by_id=self.people.crew[unit.home],
            struck_reason="Used up on the drawbar",
        )
        return number

    def tank(self, unit: UnitPlan, cases: set[str], line: int) -> None:
        day = self.at_home(unit, self.timeline.days - int(self.rng.integers(1, 12)))
        if "tank_long_ago" in cases:
            day = self.timeline.days - TANK_LONG_AGO
        diesel = unit.design == "A48"
        state: dict[str, Any] = {"answer": "in_tank", "fill_pct": 20.0, "fuel_l": 6.0} if diesel else {}
        if "tank_over_quarter" in cases:
            state = {"answer": "in_tank", "fill_pct": 70.0, "fuel_l": 21.0 if diesel else 2.1}
        values = state or {"answer": "drained_purged"}
        self.event("inventory.GoodsCheck", unit, day, 9, line_id=line, kind="tank", **values)

    def list_word(self, unit: UnitPlan, cases: set[str], keys: list[Any]) -> None:
        """Somebody said that these are all the dangerous goods aboard."""
        day = self.at_home(unit, self.timeline.days - int(self.rng.integers(2, 110)))
        if "list_never" in cases:
            return
        if "list_stale" in cases:
            day = self.timeline.days - LIST_STALE
        if "line_gone" in cases:
            day = self.timeline.days - LIST_BEFORE_STRIKE
        self.event("inventory.GoodsListCheck", unit, day, 10, keys=keys)

    # --- bodies -----------------------------------------------------------------------------------------------------

    def modifications(self, units: dict[str, UnitPlan]) -> None:
        for row in self.source["modifications"]:
            if unit := units.get(row["unit"]):
                self.event(
                    "fleet.Modification",
                    unit,
                    self.timeline.days - int(row["days_ago"]),
                    14,
                    kind=row["kind"],
                    description=row["description"],
                    mass_change_kg=float(row["mass_change_kg"]),
                    touches=[],
                )

    def own_forms(self, units: dict[str, UnitPlan]) -> None:
        for row in self.source["unit_forms"]:
            if unit := units.get(row["unit"]):
                measures = {
                    name: float(row[name]) for name in ("height_mm", "mass_kg", "cog_x_mm") if row[name]
                }
                self.rows.add(
                    "fleet.UnitForm",
                    unit_id=unit.number,
                    packed_form_id=self.keys.form[unit.design, row["form"]],
                    reason=row["reason"],
                    valid_from=self.timeline.ago(row["days_ago"]),
                    **measures,
                )

    # --- helpers ----------------------------------------------------------------------------------------------------

    def day_looked(self, unit: UnitPlan) -> int:
        days_ago = int(self.rng.integers(2, 19))
        if "looked_long_ago" in self.cases[unit.tag]:
            days_ago = LONG_AGO
        return self.at_home(unit, self.timeline.days - days_ago)

    def at_home(self, unit: UnitPlan, day: int) -> int:
        """That day, or the last one before the unit left."""
        for trip in unit.trips:
            if trip.out_on(day):
                day = trip.start - 1
        for absence in unit.absences:
            day = min(day, self.timeline.days + int(absence["start"]) - 1)
        return day

    def look(self, unit: UnitPlan, day: int, answers: dict[str, str], note: str, **about: int) -> None:
        for kind, answer in sorted(answers.items()):
            self.event("inventory.GoodsCheck", unit, day, 9, kind=kind, answer=answer, note=note, **about)

    def instant(self, unit: UnitPlan, day: float, hour: float) -> dt.datetime:
        return self.timeline.at(day, self.zone[unit.home], hour).replace(second=0, microsecond=0)

    def event(self, table: str, unit: UnitPlan, day: int, hour: float, **values: Any) -> int:
        at = self.instant(unit, day, hour)
        return self.rows.add(
            table, unit_id=unit.number, happened_at=at, **values, **self.people.written(unit.home, at)
        )
