"""A fleet list as people really keep one: a title on top, units beside the numbers, dates in several hands, totals below.

It is about units that come over from a utility to the demo's Lisbon depot, and a few lines about units that are there
already. `mended=False` leaves the slips in that a person makes, and the list that comes with it names each of them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from openpyxl import Workbook
from openpyxl.styles import Font, PatternFill
from openpyxl.worksheet.worksheet import Worksheet

Cells = Sequence[Any]


@dataclass(frozen=True)
class Slip:
    """A fault planted in the workbook: where it stands, what stands there, and what should."""

    sheet: str
    row: int
    column: str
    typed: Any
    meant: Any


class Pages:
    """Writes row after row, with the slips or with what was meant, and remembers where each slip came to stand."""

    def __init__(self, mended: bool) -> None:
        self.book = Workbook()
        self.mended = mended
        self.slips: list[Slip] = []
        self.sheet: Worksheet
        self.header: Cells = ()
        first = self.book.active
        assert first is not None
        self.book.remove(first)

    def begin(self, title: str, heading: str, header: Cells) -> None:
        self.sheet = self.book.create_sheet(title)
        self.header = header
        self.sheet.append([heading])
        self.sheet.merge_cells(start_row=1, start_column=1, end_row=1, end_column=min(len(header), 5))
        self.sheet["A1"].font = Font(bold=True, size=14)
        self.sheet.append([])
        self.head()

    def head(self) -> None:
        self.sheet.append(list(self.header))
        for cell in self.sheet[self.sheet.max_row]:
            cell.font = Font(bold=True)
            cell.fill = PatternFill("solid", fgColor="DDDDDD")

    def row(self, *cells: Any) -> None:
        number = self.sheet.max_row + 1
        values = []
        for position, cell in enumerate(cells):
            if isinstance(cell, tuple):
                typed, meant = cell
                self.slips.append(Slip(self.sheet.title, number, str(self.header[position]), typed, meant))
                cell = meant if self.mended else typed
            values.append(cell)
        self.sheet.append(values)

    def blank(self) -> None:
        self.sheet.append([None])
        self.sheet.cell(self.sheet.max_row, 1, " ")

    def total(self, *cells: Any) -> None:
        self.sheet.append(list(cells))

    def last_format(self, column: int, code: str) -> None:
        self.sheet.cell(self.sheet.max_row, column).number_format = code


def fleet_workbook(today: dt.date, *, mended: bool = False) -> tuple[Workbook, list[Slip]]:
    """The workbook as of a day, and the slips in it."""
    pages = Pages(mended)
    units_sheet(pages, today)
    forms_sheet(pages)
    banks_sheet(pages, today)
    readings_sheet(pages, today)
    charges_sheet(pages, today)
    certificates_sheet(pages, today)
    notes = pages.book.create_sheet("Notes")
    notes.append(["Keys hang behind the door of hall 2. Ask Duarte about the hose that leaks."])
    return pages.book, pages.slips


def spoken(day: dt.date) -> str:
    """3 Nov 2026"""
    return f"{day.day} {day:%b %Y}"


def ago(today: dt.date, days: int) -> dt.date:
    return today - dt.timedelta(days=days)


def units_sheet(pages: Pages, today: dt.date) -> None:
    pages.begin(
        "Fleet list",
        f"Northbank utility, relief units handed to the pool ({spoken(today)})",
        ("Unit no", "Type", "Depot", "Packed as", "Serial no", "In service since", "Bay", "Remarks"),
    )
    pages.row("NB-01", "G24", "LIS", "skid", "G24-3101", "23/04/2021", "hall 16", None)
    pages.row("NB-02", "G24", "LIS", "skid", "G24-3102", "05/11/2021", "hall 17", "paint chipped")
    pages.row(
        "NB-03", "Causeway A48 trailer", "Lisbon depot", "trailer", "A48-3103", "11/2022", "yard 2", None
    )
    pages.blank()
    pages.head()
    pages.row("NB-04", ("A-48", "A48"), "LIS", "trailer", "A48-3104", dt.date(2022, 6, 3), "yard 3", None)
    pages.row("NB-05", "L48", ("Lisboa", "LIS"), "frame", "L48-3105", "2023-02-28", "yard 5", "new in 2023")
    pages.row("nb-06", "F24", "LIS", "skid", None, spoken(dt.date(2014, 3, 3)), "hall 18", "oldest of all")
    pages.row("G-01", "G24", "LIS", "skid", "G24-2084", None, "hall 1, back row", None)
    pages.total("Total", None, None, None, None, None, None, "7 units")


def forms_sheet(pages: Pages) -> None:
    pages.begin(
        "Packed forms",
        "How they travel",
        ("Design code", "Form", "Type", "Length", "Width", "Height", "Weight", "Packing time"),
    )
    pages.row("A48", "long trailer", "on its trailer", "5.70 m", "2 280 mm", "7 ft 5 in", "8 200 lb", "2 h")
    pages.row(
        "F24", "crate", "bare skid", "2.75 m", "1.80 m", "2 m", ("about two tonnes", "1 890 kg"), "4.5 h"
    )


def banks_sheet(pages: Pages, today: dt.date) -> None:
    pages.begin(
        "Batteries",
        "Battery banks (from the plates)",
        ("Serial", "Unit", "Type", "Capacity", "Voltage", "Parallel", "Made", "Charger", "Standby draw"),
    )
    made = f"{ago(today, 900):%m/%Y}"
    pages.row("NBK-1", "NB-01", "gel", "600 Ah", "24 V", 1, made, "60 A", "12 mA")
    pages.row("NBK-2", "NB-02", "gel", 600, "24 V", 1, made, "60 A", None)
    pages.row("NBK-3", "NB-03", "AGM", "400 Ah", "48 V", 2, ("2022", "07/2022"), "60 A", "25 mA")
    pages.row("NBK-4", "NB-04", "AGM", ("400 A h at 48", "400 Ah"), "48 V", 2, made, "60 A", "25 mA")
    pages.row(
        "NBK-5", "NB-05", "LiFePO4", "560 Ah", "51.2 V", 2, spoken(dt.date(2023, 1, 15)), "100 A", "15 mA"
    )
    pages.row("NBK-6", "NB-06", "flooded low antimony", "500 Ah", "24 V", 1, "06/2020", "50 A", "0 mA")


def readings_sheet(pages: Pages, today: dt.date) -> None:
    pages.begin(
        "Voltage readings",
        "Rest voltage, isolator open",
        ("Unit", "Date", "Volts", "Temp", "Rest hours", "Lowest block", "Remarks"),
    )
    yesterday, last_week = ago(today, 1), ago(today, 8)
    pages.row("NB-01", f"{spoken(yesterday)} 08:10", "25.52 V", "64 °F", "48 h", "12.74 V", None)
    pages.row("NB-02", f"{yesterday.isoformat()} 08:25", 25.44, "18 °C", 48, 12.69, None)
    pages.row("NB-03", dt.datetime.combine(last_week, dt.time(9, 5)), "50.9", "17.5 °C", 30, None, None)
    pages.row("NB-04", f"{last_week.isoformat()} 09:20", ("510 V", "51.0 V"), "17.5 °C", "30 h", None, None)
    pages.blank()
    pages.head()
    pages.row("NB-06", f"{spoken(last_week)} 10:00", "25.1 V", "17 °C", ("a day or so", "24 h"), None, None)
    pages.row("G-01", f"{yesterday.isoformat()} 09:40", "24.62 V", "63 °F", "40 h", "12.28 V", "low?")


def charges_sheet(pages: Pages, today: dt.date) -> None:
    pages.begin(
        "Charge log",
        "Charges since the spring",
        ("Unit", "Start", "End", "End sign", "Ah", "kWh", "Bay", "Notes"),
    )
    for unit, days, hours, sign, taken in (
        ("NB-01", 70, 11, "current steady", "95 Ah"),
        ("NB-02", 66, 10, "current steady", "88 Ah"),
        ("NB-03", 330, 12, "current steady", "120 Ah"),
        ("NB-06", 30, 12, "gravity steady", "140 Ah"),
    ):
        begin = dt.datetime.combine(ago(today, days), dt.time(7, 45))
        end = begin + dt.timedelta(hours=hours)
        pages.row(unit, f"{begin:%Y-%m-%d %H:%M}", end, sign, taken, "5.1 kWh", "2", None)
    begin = dt.datetime.combine(ago(today, 40), dt.time(8))
    early = f"{begin - dt.timedelta(days=1):%Y-%m-%d %H:%M}"
    late = f"{begin + dt.timedelta(hours=3):%Y-%m-%d %H:%M}"
    pages.row("NB-05", f"{begin:%Y-%m-%d %H:%M}", (early, late), "BMS full", "30 Ah", None, "4", None)
    pages.total("Sum", None, None, None, "473 Ah")


def certificates_sheet(pages: Pages, today: dt.date) -> None:
    pages.begin(
        "Certs",
        "Papers in the blue folder",
        ("Unit", "Type", "No", "Issued by", "Issued", "Valid until"),
    )
    issued = ago(today, 120)
    for number, unit in enumerate(("NB-01", "NB-02", "NB-06"), start=1):
        pages.row(
            unit,
            "lifting thorough examination",
            f"LX-88{number}",
            "Harbour Lifting Surveyors",
            spoken(issued),
            f"{ago(today, -244):%m/%Y}",
        )
    pages.row("NB-03", "trailer inspection", "TR-41", "district test centre", issued, ago(today, -200))
    pages.row("NB-05", ("fire bottle", "fire extinguisher service"), "FX-9", None, issued, ago(today, -245))
