"""A fleet as a depot really keeps it: one workbook with titles, repeated headers, totals, mixed units and mixed dates.

`build(faulty=True)` has faults that a person must mend; `build()` is the same workbook mended. Everything in it is
invented. Dates lie in 2024 and 2025, so that the workbook is in the past whatever day a test states.
"""

import datetime as dt
import io
import re
import zipfile

from openpyxl import Workbook

MODIFIED = dt.datetime(2025, 9, 30, 12, 0, tzinfo=dt.UTC)

PLACES = [
    ("Code", "Name", "Kind", "Lat", "Long", "Altitude", "Time zone", "Country"),
    ("NORD", "Nordheim depot", "depot", "59° 54' 46\" N", 10.752, "94 m", "Europe/Oslo", "NO"),
    ("SOUTH", "Southbank depot", "Depot", 43.3, 5.4, "39 ft", "Europe/Paris", "FR"),
    ("VALLEY", "Lower valley", "site", 46.1, 7.2, "480 m", "Europe/Zurich", "CH"),
    ("QUAY", "Old quay", "port", 43.31, 5.35, 3, "Europe/Paris", "FR"),
]
TERMS = [
    ("Depot", "From", "Notice", "Mission days", "Bays", "Supply limit (kW)", "Crew"),
    ("NORD", dt.date(2024, 1, 1), "24 h", 30, 4, 11, 3),
    ("SOUTH", dt.date(2024, 1, 1), "1 day", 30, 2, 7.4, 2),
]
DESIGNS = [
    ("Design", "Name", "Water per day", "Solar", "Inverter power"),
    ("WX-40", "Forty-cubic-metre river unit", "40 m3/day", "4.8 kW", "5000 W"),
]
FORMS = [
    ("Design", "Form", "Type", "Length", "Width", "Height", "Weight (lb)", "Packing time"),
    ("WX-40", "skid", "bare skid", "3.05 m", "2280 mm", "7 ft 5 in", "8 200", "2 h 30 min"),
    ("WX-40", "trailer", "on its trailer", "5.70 m", "2280 mm", "2.6 m", "10 100", "1 h"),
]
UNITS = [
    ("Fleet list of the pool, state of September", None, None, None, None, None),
    (None, None, None, None, None, None),
    ("Unit", "Type", "Depot", "Packed as", "In service since", "Remarks"),
    ("MW-001", "WX-40", "NORD", "skid", dt.date(2024, 3, 1), "first of its kind"),
    ("MW-002", "Forty-cubic-metre river unit", "Nordheim depot", "skid", "3 Mar 2024", "=not a formula"),
    (None, None, None, None, None, None),
    ("Unit", "Type", "Depot", "Packed as", "In service since", "Remarks"),
    ("MW-003", "WX-40", "SOUTH", "skid", "25/03/2024", None),
    ("Total", None, None, None, 3, None),
]
BANKS = [
    ("Bank", "Unit", "Type", "Capacity", "Voltage", "Manufactured", "Standby draw", "Charger", "Floor"),
    ("BK-001", "MW-001", "Gel", "200 Ah", "24 V", "02/2024", "35 mA", "25 A", "60 %"),
    ("BK-002", "MW-002", "LiFePO4", 160, "25.6 V", dt.date(2024, 1, 15), None, 30, 0.5),
    ("BK-003", "MW-003", "AGM", "210 Ah", "48 V", "11/2023", "0.04 A", "20 A", None),
]
READINGS = [
    ("Battery", "Date", "Volts", "Temp", "Rest hours", "Remarks"),
    ("MW-001", dt.datetime(2025, 6, 1, 9, 30), "25.31 V", "77 °F", 24, None),  # noqa: DTZ001
    ("MW-001", "25/07/2025 10:15", 25.2, "18 °C", "26 h", "warm day"),
    ("BK-003", "2025-07-26 08:00", "50,60", "64.4 F", 30, None),
    ("BK-003", "26 Aug 2025 08:00", 50.4, 19, "1 day", None),
]
CHARGES = [
    ("Unit", "Start", "End", "Ended by", "Ah", "Energy"),
    ("MW-001", "2025-08-01 08:00", "2025-08-02 07:30", "charger full", 88, "2.6 kWh"),
    ("BK-003", "2025-09-01 08:00", "2025-09-01 18:00", None, "35 Ah", None),
]
CERTIFICATES = [
    ("Unit", "Type", "No", "Issued", "Valid until"),
    ("MW-001", "lifting thorough examination", "LX-2211", "2025-05-11", "05/2026"),
    ("MW-002", "Lifting thorough examination", None, dt.date(2025, 5, 12), "11/2025"),
]
ITEMS = [
    ("Article", "Description", "Unit of issue", "Shelf life", "Life hours"),
    ("CART-5", "Sediment cartridge", "pcs", 60, None),
    ("CHLOR-G", "Calcium hypochlorite granules", "kg", 24, None),
    ("LAMP-55", "Ultraviolet lamp", "each", None, "9000 h"),
]
LOTS = [
    ("Article", "Batch", "Made", "Expires"),
    ("CART-5", "L2405", "05/2024", "05/2029"),
    ("CHLOR-G", "C-77", "2024-08-01", "08/2026"),
]
STOCK = [
    ("Depot", "Article", "Lot", "Quantity", "Counted on"),
    ("NORD", "CART-5", "L2405", 24, "2025-09-20"),
    ("NORD", "CHLOR-G", "C-77", "12.5", "2025-09-20"),
    (None, None, None, None, None),
]
MISSIONS = [
    ("Mission", "Unit", "Drill", "To", "From", "Back on", "People served"),
    ("2025-FLOOD-03", "MW-002", "no", "VALLEY", "2025-06-02", "2025-07-20", "4 000"),
    ("2025-EX-01", "MW-003", "yes", "VALLEY", "2025-04-01", "2025-04-05", None),
]
LOGS = [
    ("Mission", "Day", "Hours A", "Volume A", "Raw water turbidity", "Energy"),
    ("2025-FLOOD-03", "2025-06-03", "17.5 h", "18.7 m3", 82, "31 kWh"),
    ("2025-FLOOD-03", "2025-06-04", "18 h 45 min", "5000 gal", 65, "30 kWh"),
]
NOTES = [("Dear colleagues,",), ("please count the slings before Friday.",)]

SHEETS = {
    "Depots": PLACES,
    "Depot terms": TERMS,
    "Designs": DESIGNS,
    "Packed forms": FORMS,
    "Fleet list": UNITS,
    "Batteries": BANKS,
    "Voltage readings": READINGS,
    "Charge log": CHARGES,
    "Certs": CERTIFICATES,
    "Item list": ITEMS,
    "Batches": LOTS,
    "Stock": STOCK,
    "Missions": MISSIONS,
    "Daily log": LOGS,
    "Notes": NOTES,
}

# sheet, row, column (from 1), what a person wrote there, and the fault it must give
FAULTS = [
    ("Depots", 5, 7, "Europe/Nowhere", "date.unknown_zone"),
    ("Packed forms", 3, 4, "a bit over five metres", "quantity.unreadable"),
    ("Fleet list", 8, 3, "SUOTH", "reference.unknown"),
    ("Batteries", 3, 3, "lead", "cell.not_a_choice"),
    ("Voltage readings", 2, 3, "253.1 V", "reading.voltage_impossible"),
    ("Voltage readings", 5, 2, "26 Foo 2025", "date.unreadable"),
    ("Charge log", 2, 3, "2025-07-30 07:30", "charge.ends_before_start"),
    ("Batches", 3, 4, "#REF!", "cell.error"),
    ("Stock", 2, 4, "24.5", "stock.whole_pieces"),
    ("Daily log", 2, 2, "2025-08-03", "day_log.outside"),
]


def build(*, faulty: bool = False, only: tuple[str, ...] = (), mixed_decimals: bool = False) -> bytes:
    """The workbook as bytes. `mixed_decimals` keeps the one cell with a decimal comma, so that the file must be asked."""
    book = Workbook()
    book.remove(book.active)
    for title, rows in SHEETS.items():
        if only and title not in only:
            continue
        tab = book.create_sheet(title)
        for row in rows:
            tab.append(row)
        for cells in tab.iter_rows():
            for cell in cells:
                if isinstance(cell.value, str):
                    cell.data_type = "s"
        if title == "Voltage readings" and not mixed_decimals:
            tab.cell(4, 3).value = "50.60"
    if faulty:
        for title, row, column, text, _key in FAULTS:
            if title in book.sheetnames:
                cell = book[title].cell(row, column)
                cell.value = text
                cell.data_type = "e" if text.startswith("#") else "s"
    out = io.BytesIO()
    book.save(out)
    return saved_at(out.getvalue(), MODIFIED)


def saved_at(content: bytes, moment: dt.datetime) -> bytes:
    """The workbook as if it had last been saved at that moment (the writing library always says now)."""
    out = io.BytesIO()
    stamp = moment.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            data = old.read(info.filename)
            if info.filename == "docProps/core.xml":
                data = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + stamp, data)
            new.writestr(info.filename, data)
    return out.getvalue()
