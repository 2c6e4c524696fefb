"""Sheets of upkeep: readings, charges, bank tests, inspections and faults."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from django.utils.translation import gettext_noop as _

from fleet.domain.intake import SheetSpec
from fleet.lib.errors import DomainError
from fleet.services.imports.bank_sheets import BANK_COLUMN, BankEventSheet
from fleet.services.imports.kinds import Key, Planned, Problem, Ref, SheetKind, Values, chunks, column
from fleet.services.imports.office_sheets import key_column
from fleet.services.imports.references import Lookups, source
from fleet.services.imports.unit_sheets import UNIT_COLUMN, UnitEventSheet, birth
from readiness.models import BankTest, Charge, Fault, Inspection, InspectionType, Reading
from readiness.services.checks import (
    ONLY_LITHIUM_IN_PART,
    check_bank_test,
    check_charge,
    check_fault,
    check_inspection,
    check_reading,
)


class ReadingSheet(BankEventSheet):
    model = Reading
    spec = SheetSpec(
        name="readings",
        label="Readings",
        aliases=("voltage readings", "battery readings", "measurements", "reading"),
        key=("bank", "happened_at"),
        zone_column="bank",
        columns=(
            BANK_COLUMN,
            column(
                Reading,
                "happened_at",
                label="Read at",
                aliases=("date", "when", "time", "measured at", "date and time"),
                example="2026-11-03 14:30",
            ),
            column(Reading, "kind", label="Kind", example="rest voltage"),
            column(
                Reading,
                "volts_v",
                label="Voltage",
                aliases=("volts", "rest voltage", "voltage of the bank", "v"),
                minimum=0,
                maximum=1500,
                example="25.3 V",
            ),
            column(
                Reading,
                "gravity_sg",
                label="Specific gravity",
                kind="number",
                aliases=("gravity", "sg"),
                example="1.265",
            ),
            column(
                Reading,
                "meter_soc",
                label="Charge state on its meter",
                aliases=("meter", "soc", "charge state"),
                minimum=0,
                maximum=1,
                example="85 %",
            ),
            column(
                Reading,
                "temp_c",
                label="Temperature",
                aliases=("temp", "battery temperature"),
                minimum=-60,
                maximum=90,
                example="77 °F",
            ),
            column(
                Reading,
                "rest_h",
                label="Hours at rest",
                aliases=("rest", "rest hours", "rested"),
                minimum=0,
                maximum=100_000,
                example="24 h",
            ),
            column(
                Reading,
                "lowest_block_v",
                label="Lowest block",
                aliases=("lowest block voltage",),
                minimum=0,
                example="12.6 V",
            ),
            column(Reading, "note", aliases=("notes", "remarks", "comment")),
        ),
        help="Looks at a bank: rest voltage, specific gravity, or what its meter shows; with temperature and hours at rest.",
    )

    def derive(self, lookups: Lookups, values: Values) -> Iterator[Problem]:
        """The kind follows from what was measured, unless it is said."""
        yield from ()
        if values.get("kind"):
            return
        for name, kind in (
            ("volts_v", Reading.Kind.VOLTAGE),
            ("gravity_sg", Reading.Kind.GRAVITY),
            ("meter_soc", Reading.Kind.METER),
        ):
            if values.get(name) is not None:
                values["kind"] = str(kind)
                return

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        reading: Reading = row.obj
        measured = (reading.volts_v, reading.gravity_sg, reading.meter_soc)
        if all(value is None for value in measured):
            yield (
                "volts_v",
                DomainError(
                    "reading.nothing",
                    _("The value itself is missing: a voltage, a gravity, or what the meter shows."),
                ),
            )
            return
        yield from _refused(
            "volts_v", lambda: check_reading(reading, now=lookups.now, birth=birth(row.values["bank"]))
        )


class ChargeSheet(BankEventSheet):
    model = Charge
    after = ("banks", "places")
    spec = SheetSpec(
        name="charges",
        label="Charges",
        aliases=("charge log", "charging", "charge"),
        key=("bank", "happened_at"),
        zone_column="bank",
        columns=(
            BANK_COLUMN,
            column(
                Charge,
                "happened_at",
                label="Begun at",
                aliases=("start", "started", "began", "from", "date", "begun"),
                example="2026-10-02 08:00",
            ),
            column(
                Charge,
                "ended_at",
                label="Ended at",
                aliases=("end", "ended", "to", "until"),
                example="2026-10-03 07:30",
            ),
            column(Charge, "planned_end_at", label="Planned end", aliases=("planned end at",)),
            column(Charge, "purpose", example="maintenance charge"),
            column(
                Charge,
                "end_sign",
                label="End sign",
                aliases=("ended by",),
                choices={
                    "current_steady": ("current steady", "current steady for three hours"),
                    "tail_current": ("tail current", "current at the tail limit, hold done"),
                    "gravity_steady": ("gravity steady", "gravity steady for three hours"),
                    "charger_full": ("charger full", "charger says full, hold done", "charger says full"),
                    "bms_full": ("BMS full", "battery management says full"),
                    "delta_v": ("delta v", "voltage drop or timer (nickel)"),
                },
                example="charger full",
            ),
            column(
                Charge,
                "to_soc",
                label="Charged to",
                aliases=("to charge state",),
                minimum=0.01,
                maximum=1,
                example="100 %",
            ),
            column(
                Charge,
                "ah_in",
                kind="quantity",
                unit="ah",
                label="Charge put in",
                aliases=("ah", "ah in"),
                minimum=0,
                example="85 Ah",
            ),
            column(
                Charge,
                "energy_kwh",
                label="Energy from the wall",
                aliases=("energy", "kwh"),
                minimum=0,
                example="2.6 kWh",
            ),
            column(Charge, "bay", label="Charger bay", aliases=("bay",), example="3"),
            column(Charge, "place", refers_to="places", aliases=("depot", "at")),
            column(Charge, "tripped", label="The charger tripped", aliases=("tripped",), example="no"),
            column(Charge, "note", aliases=("notes", "remarks")),
        ),
        help="A charge counts as completed only with its end sign and enough hours; otherwise it credits what went in.",
    )

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        for name, error in _refused(
            "happened_at", lambda: check_charge(row.obj, now=lookups.now, birth=birth(row.values["bank"]))
        ):
            yield ("to_soc" if error.key == ONLY_LITHIUM_IN_PART else name), error

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        """A bank has one running charge at a time."""
        running = [row for row in rows if row.obj.ended_at is None]
        banks = {row.obj.bank_id for row in running} - {None}
        ending = {row.obj.pk for row in rows if row.action == "changed" and row.obj.ended_at is not None}
        there: dict[Any, Any] = {}
        for some in chunks(sorted(banks), 500):
            open_charges = (
                Charge.objects.counting().filter(bank__in=some, ended_at__isnull=True).exclude(pk__in=ending)
            )
            there.update({charge.bank_id: charge.pk for charge in open_charges})
        for row in running:
            key = row.obj.bank_id or id(row.values["bank"].obj)
            if there.get(key, row.obj.pk) != row.obj.pk or (key in there and row.obj.pk is None):
                yield (
                    row,
                    "ended_at",
                    DomainError(
                        "record.charge_one_open",
                        _("A charge of this bank is running already: end that first."),
                        mend="Fill in when this charge ended, or leave the row out.",
                    ),
                )
            there[key] = row.obj.pk


class BankTestSheet(BankEventSheet):
    model = BankTest
    spec = SheetSpec(
        name="bank_tests",
        label="Bank tests",
        aliases=("capacity tests", "tests", "ohmic tests"),
        key=("bank", "kind", "happened_at"),
        zone_column="bank",
        columns=(
            BANK_COLUMN,
            column(BankTest, "kind", label="Test", aliases=("kind",), example="capacity test"),
            column(
                BankTest, "happened_at", label="Tested at", aliases=("date", "when"), example="2026-03-14"
            ),
            column(
                BankTest,
                "capacity_ah",
                label="Capacity",
                aliases=("measured capacity",),
                minimum=0.01,
                example="176 Ah",
            ),
            column(
                BankTest,
                "worst_ratio",
                kind="number",
                label="Worst block against its baseline",
                aliases=("worst ratio",),
                minimum=0.01,
            ),
            column(BankTest, "temp_c", label="Temperature", aliases=("temp",)),
            column(BankTest, "note", aliases=("notes", "remarks")),
        ),
        help="Capacity tests and ohmic tests of banks.",
    )

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        test: BankTest = row.obj
        value = test.capacity_ah if test.kind == BankTest.Kind.CAPACITY else test.worst_ratio
        if value is None:
            name = "capacity_ah" if test.kind == BankTest.Kind.CAPACITY else "worst_ratio"
            yield (
                name,
                DomainError(
                    "bank_test.nothing", _("The result of the test is missing: type what was measured.")
                ),
            )
            return
        yield from _refused(
            "happened_at", lambda: check_bank_test(test, now=lookups.now, birth=birth(row.values["bank"]))
        )


class InspectionTypeSheet(SheetKind):
    model = InspectionType
    spec = SheetSpec(
        name="inspection_types",
        label="Inspection types",
        aliases=("inspection type", "kinds of inspection"),
        key=("code",),
        columns=(
            column(InspectionType, "code", aliases=("inspection code",), example="LIFT-6M"),
            column(
                InspectionType,
                "name",
                required=True,
                aliases=("inspection",),
                example="Lifting points, six-monthly",
            ),
            column(
                InspectionType,
                "interval_days",
                required=True,
                aliases=("interval",),
                minimum=1,
                example="182",
            ),
            column(InspectionType, "grounds_unit", aliases=("grounds unit", "essential"), example="yes"),
            column(
                InspectionType, "work_h", label="Hours of work", aliases=("work",), minimum=0, example="1.5 h"
            ),
            column(InspectionType, "crew", minimum=1, example="1"),
            column(InspectionType, "by_whom", aliases=("by",), example="competent person"),
            column(InspectionType, "accept", aliases=("passes when",)),
            column(InspectionType, "source"),
            column(InspectionType, "active_from", required=True, aliases=("from",), example="2024-01-01"),
            column(InspectionType, "active_to", aliases=("until",)),
        ),
        help="Inspections that units fall due for. A type brought in here concerns every design.",
    )

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref]:
        return [row.obj.code, row.obj.name], Ref(row.obj, row.obj.code)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        from fleet.models import Unit

        return set(Unit.objects.in_service().values_list("pk", flat=True)) if pks else set()


class InspectionSheet(UnitEventSheet):
    model = Inspection
    after = ("units", "inspection_types")
    spec = SheetSpec(
        name="inspections",
        label="Inspections",
        aliases=("inspection log", "checks"),
        key=("unit", "type", "happened_at"),
        zone_column="unit",
        columns=(
            UNIT_COLUMN,
            key_column(
                "type",
                "Inspection",
                "inspection_types",
                aliases=("type", "inspection type", "kind"),
                example="LIFT-6M",
            ),
            column(
                Inspection,
                "happened_at",
                label="Done at",
                aliases=("date", "when", "done", "inspected on"),
                example="2026-06-15",
            ),
            column(Inspection, "passed", required=True, aliases=("result", "ok"), example="yes"),
            column(Inspection, "note", aliases=("notes", "remarks")),
        ),
        help="Inspections that were done, and whether the unit passed.",
    )

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        types = {values["type"].obj.pk for values in rows} - {None}
        designs: dict[int, set[int]] = {pk: set() for pk in types}
        for some in chunks(sorted(types), 500):
            pairs = InspectionType.designs.through.objects.filter(inspectiontype__in=some)
            for type_id, design_id in pairs.values_list("inspectiontype_id", "design_id"):
                designs[type_id].add(design_id)
        lookups.memory["type_designs"] = designs

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        designs = frozenset(lookups.memory["type_designs"].get(row.values["type"].obj.pk, ()))
        unit = birth(row.values["unit"])
        yield from _refused(
            "happened_at", lambda: check_inspection(row.obj, now=lookups.now, birth=unit, designs=designs)
        )


class FaultSheet(UnitEventSheet):
    model = Fault
    after = ("units", "items")
    spec = SheetSpec(
        name="faults",
        label="Faults",
        aliases=("defects", "fault list", "open faults"),
        key=("unit", "happened_at", "description"),
        zone_column="unit",
        columns=(
            UNIT_COLUMN,
            column(
                Fault,
                "happened_at",
                label="Found at",
                aliases=("date", "found", "found on", "when"),
                example="2026-11-01",
            ),
            column(
                Fault,
                "description",
                aliases=("fault", "defect", "what is wrong"),
                example="hour meter of train B stuck",
            ),
            column(
                Fault,
                "severity",
                required=True,
                choices={
                    "blocks": ("blocks", "the unit cannot work", "critical"),
                    "degrades": ("degrades", "the unit works with less", "major"),
                    "minor": ("minor",),
                },
                example="minor",
            ),
            column(
                Fault,
                "mend_h",
                label="Hours to mend",
                aliases=("mend hours", "repair time"),
                minimum=0,
                example="2 h",
            ),
            column(
                Fault, "mend_here", label="Can be mended at the depot", aliases=("mend here",), example="yes"
            ),
            column(Fault, "crew", minimum=1, example="1"),
            column(Fault, "part_item", refers_to="items", aliases=("part", "part needed")),
            column(Fault, "part_qty", aliases=("part quantity",), minimum=0),
            column(Fault, "closed_at", label="Closed at", aliases=("closed", "mended", "closed on")),
            column(Fault, "closing_note", aliases=("how mended",)),
        ),
        help="What was found wrong. Without 'closed at' the fault is open.",
    )

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from _refused(
            "happened_at", lambda: check_fault(row.obj, now=lookups.now, birth=birth(row.values["unit"]))
        )


def _refused(name: str, check: Any) -> Iterator[Problem]:
    try:
        check()
    except DomainError as error:
        yield name, error


def _types(keys: list[Any]) -> dict[Any, Ref]:
    return {each.pk: Ref(each, each.code) for each in InspectionType.objects.filter(pk__in=keys)}


source(
    "inspection_types",
    lambda: [
        InspectionType.objects.values_list("code", "pk").iterator(),
        InspectionType.objects.values_list("name", "pk").iterator(),
    ],
    _types,
)

SHEETS: tuple[SheetKind, ...] = (
    ReadingSheet(),
    ChargeSheet(),
    BankTestSheet(),
    InspectionTypeSheet(),
    InspectionSheet(),
    FaultSheet(),
)
