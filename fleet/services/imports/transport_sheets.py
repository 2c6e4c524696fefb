"""Sheets of what banks are to the rules of transport, and of the owner's terms of transport."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any

from fleet.domain.intake import SheetSpec
from fleet.models import BankTransport, TransportTerms
from fleet.services.imports.bank_sheets import BankEventSheet
from fleet.services.imports.kinds import Planned, Problem, SheetKind, column
from fleet.services.imports.office_sheets import in_order, key_column
from fleet.services.imports.references import Lookups


class BankTransportSheet(BankEventSheet):
    model = BankTransport
    exports = True
    spec = SheetSpec(
        name="bank_transport",
        label="Banks in transport",
        aliases=("bank transport", "batteries in transport", "battery transport"),
        key=("bank",),
        columns=(
            key_column(
                "bank",
                "Bank",
                "banks",
                aliases=("battery", "bank serial", "unit", "unit tag", "tag"),
                example="BK-0014",
            ),
            column(
                BankTransport,
                "config",
                label="It travels",
                aliases=("config", "travels", "configuration"),
                choices={
                    "installed": ("installed", "installed in the equipment it runs"),
                    "packed_with": ("packed with", "packed with the equipment it runs"),
                    "alone": ("alone",),
                },
                example="installed",
            ),
            column(
                BankTransport,
                "host",
                label="Installed in",
                aliases=("host",),
                choices={
                    "equipment": ("equipment",),
                    "vehicle": ("vehicle", "vehicle that moves by itself"),
                    "ctu_external": (
                        "container that only feeds others",
                        "container or trailer that only feeds others",
                    ),
                    "power_bank": ("power bank",),
                    "unclear": ("not clear", "unclear", "not clear: ask the specialist"),
                },
                example="equipment",
            ),
            column(
                BankTransport,
                "un383",
                label="UN 38.3 tests",
                aliases=("un 38.3", "un383"),
                choices={
                    "pass": ("passed", "pass", "passed: the summary is on file with the bank"),
                    "fail": ("not passed", "fail", "failed"),
                    "prototype": ("prototype", "prototype or small run"),
                },
                help="Passed: the test summary is on file with the bank.",
            ),
            column(
                BankTransport,
                "declared_wh",
                label="Energy as marked",
                aliases=("declared energy", "energy", "wh"),
                minimum=0.01,
                maximum=10_000_000,
                example="4800 Wh",
            ),
            column(
                BankTransport,
                "net_mass_kg",
                label="Mass of the batteries",
                aliases=("net mass", "battery mass"),
                minimum=0.001,
                maximum=60_000,
                example="130 kg",
            ),
            column(
                BankTransport,
                "package_gross_kg",
                label="Gross mass of a package",
                aliases=("package gross", "gross mass"),
                minimum=0.001,
                maximum=60_000,
            ),
            column(
                BankTransport,
                "ctu_gross_kg",
                label="Gross mass in one container",
                aliases=("gross mass per container", "ctu gross"),
                minimum=0.001,
                maximum=60_000,
                help="Of all nickel-metal hydride batteries that go in one container.",
            ),
            column(BankTransport, "spare_sets", label="Spare sets", aliases=("spares",), maximum=1000),
            column(
                BankTransport,
                "vib_pressure_ok",
                label="Vibration and pressure tests passed",
                aliases=("vibration and pressure",),
                help="As the report says.",
                example="yes",
            ),
            column(
                BankTransport,
                "no_free_liquid_55c",
                label="No free liquid at 55 °C, case cracked",
                aliases=("no free liquid", "no free liquid at 55 c"),
                help="As the report says.",
                example="yes",
            ),
            column(
                BankTransport,
                "marked_nonspillable",
                label="Marked NON-SPILLABLE",
                aliases=("non-spillable mark", "marked non spillable"),
                example="yes",
            ),
            column(
                BankTransport,
                "adr_1137_ruling",
                label="An adviser ruled that ADR 1.1.3.7 applies",
                aliases=("adr 1.1.3.7", "adviser's ruling"),
            ),
            column(
                BankTransport,
                "discharge_allowed",
                label="The maker allows discharging for transport",
                aliases=("discharge allowed",),
            ),
            column(
                BankTransport,
                "discharge_w",
                label="Load to discharge with",
                aliases=("discharge load",),
                minimum=0.1,
                maximum=1_000_000,
            ),
            column(
                BankTransport,
                "source",
                label="Where this is written",
                aliases=("source",),
                example="report of the test house, 2025-02",
            ),
        ),
        help="What a battery bank is to the rules of transport, as it stands on paper. Empty means not known and is never "
        "assumed. What goes stale (covered terminals, condition) is a look with its date.",
    )  # fmt: skip


class TransportTermsSheet(SheetKind):
    """The owner's: the terms that began last count."""

    model = TransportTerms
    exports = True
    spec = SheetSpec(
        name="transport_terms",
        label="Transport terms",
        aliases=("terms of transport", "clearances"),
        key=("valid_from",),
        columns=(
            column(
                TransportTerms, "valid_from", label="From", aliases=("valid from", "since"), example="2026-01-01"
            ),
            column(TransportTerms, "valid_to", label="Until", aliases=("valid to", "to")),
            *(
                column(TransportTerms, name, unit="", kind="integer", label=label, maximum=3650, example=example)
                for name, label, example in (
                    ("terminals_days", "Days that covered terminals count", "30"),
                    ("condition_days", "Days that the condition of a battery counts", "30"),
                    ("fixing_days", "Days that upright fixing and tick lists count", "30"),
                    ("tanks_days", "Days that the state of a tank counts", "14"),
                    ("list_days", "Days that the list of goods counts", "180"),
                    ("soc_hours", "Hours that a measured charge counts", "24"),
                )
            ),
            *(
                column(TransportTerms, name, label=label, minimum=0, maximum=most, example=example)
                for name, label, most, example in (
                    ("container_w_mm", "Container: free across", 2000, "50 mm"),
                    ("container_h_mm", "Container: free above", 2000, "50 mm"),
                    ("container_l_mm", "Container: free along", 2000, "100 mm"),
                    ("ramp_w_mm", "Ramp aircraft: free across", 2000, "300 mm"),
                    ("ramp_h_mm", "Ramp aircraft: free above", 2000, "150 mm"),
                    ("ramp_l_mm", "Ramp aircraft: free along", 2000, "300 mm"),
                    ("plane_w_mm", "Other aircraft: free across", 2000, "100 mm"),
                    ("plane_h_mm", "Other aircraft: free above", 2000, "50 mm"),
                    ("plane_l_mm", "Other aircraft: free along", 2000, "100 mm"),
                    ("gap_mm", "Between pieces and to the walls", 2000, "50 mm"),
                    ("rigging_kg", "Mass of slings and hook gear", 10_000, "150 kg"),
                )
            ),
            column(
                TransportTerms,
                "source",
                label="Where this is written",
                aliases=("source",),
                example="standing order of the pool",
            ),
        ),
        help="How long a check counts and how much room is kept free, from a day on. What is left out has its usual value.",
    )  # fmt: skip

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        yield from in_order(row.obj.valid_from, row.obj.valid_to, "valid_to")

    def can_clear(self, name: str) -> bool:
        return name in ("valid_to", "source")

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set()  # no stored answer rests on them: how a unit may travel is worked out when asked

    def label(self, values: Any) -> str:
        return f"{values['valid_from']:%Y-%m-%d}"
