"""Sheets as people keep them, cell by cell. No database, no clock."""

import datetime as dt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.domain.intake import (
    CLEAR,
    UNCHANGED,
    ColumnSpec,
    Conventions,
    SheetSpec,
    choose_spec,
    open_sheet,
    parse_sheet,
    settle,
)
from fleet.lib.sheets import BadCell, Measured, RawRow

UNITS_SPEC = SheetSpec(
    "units",
    "Units",
    key=("tag",),
    columns=(
        ColumnSpec("tag", "Tag", "code", aliases=("Unit", "Einheit"), required=True, max_length=10),
        ColumnSpec(
            "mass_kg",
            "Mass",
            "quantity",
            unit="kg",
            aliases=("Weight", "weight lb"),
            minimum=1,
            maximum=20_000,
        ),
        ColumnSpec("temp_c", "Temperature", "quantity", unit="c"),
        ColumnSpec("charge_soc", "Charge state", "quantity", unit="soc", minimum=0, maximum=1),
        ColumnSpec("run_h", "Hours", "quantity", unit="h"),
        ColumnSpec("due_on", "Due", "date"),
        ColumnSpec("seen_at", "Seen at", "instant"),
        ColumnSpec("kind", "Kind", "choice", choices={"gel": ("gel", "Gel battery"), "agm": ("AGM",)}),
        ColumnSpec("ok", "OK", "flag"),
        ColumnSpec("count", "Count", "integer"),
        ColumnSpec("lat_deg", "Latitude", "latitude"),
        ColumnSpec("lon_deg", "Longitude", "longitude"),
        ColumnSpec("note", "Note"),
    ),
)
LOTS_SPEC = SheetSpec(
    "lots",
    "Lots",
    key=("item", "lot"),
    columns=(
        ColumnSpec("item", "Item", "code"),
        ColumnSpec("lot", "Lot", "code", aliases=("batch",)),
        ColumnSpec("expires_on", "Expires", "date"),
    ),
)


def raw(*rows, start=1):
    return [
        RawRow(number, tuple(row))
        for number, row in enumerate(rows, start=start)
        if any(v is not None for v in row)
    ]


def read(*rows, conventions=Conventions(), spec=UNITS_SPEC, zone="Europe/Oslo"):  # noqa: B008
    data = open_sheet("Sheet1", raw(*rows), spec)
    return parse_sheet(data, conventions, lambda _: zone)


def one(column, value, **kwargs):
    """The value of one cell under a header, and the faults of its row."""
    parsed = read(("Tag", column), ("MW-1", value), **kwargs)
    name = parsed.data.cells[1].column.name
    return parsed.rows[0].values[name], parsed.faults, parsed.rows[0].typed.get(name, "")


CELLS = [
    ("Mass", "8 200 lb", 3719.457434, "8 200 lb"),
    ("Mass", "3720 kg", 3720.0, "3720 kg"),
    ("Mass", 3720, 3720.0, ""),
    ("Mass", Measured(8200.0, "lb"), 3719.457434, "8200 lb"),
    ("Mass (lb)", 8200, 3719.457434, "8200 lb"),
    ("Mass (lb)", "8200", 3719.457434, "8200 (lb)"),
    ("Mass [kg] *", "8200 lb", 3719.457434, "8200 lb"),
    ("weight lb", 8200, 3719.457434, "8200 lb"),
    ("WEIGHT, lb", 8200, 3719.457434, "8200 lb"),
    ("Temperature", "77 \u00b0F", 25.0, "77 \u00b0F"),
    ("Temperature (\u00b0F)", 77, 25.0, "77 \u00b0F"),
    ("Charge state", "80 %", 0.8, "80 %"),
    ("Charge state", Measured(80.0, "%"), 0.8, "80 %"),
    ("Charge state (%)", 80, 0.8, "80 %"),
    ("Charge state %", 80, 0.8, "80 %"),
    ("Charge state", 0.8, 0.8, ""),
    ("Hours", dt.timedelta(hours=26, minutes=30), 26.5, "1 day, 2:30:00"),
    ("Hours", dt.time(2, 30), 2.5, "02:30:00"),
    ("Due", "11/2026", dt.date(2026, 11, 30), "11/2026"),
    ("Due", "2026-11-03", dt.date(2026, 11, 3), ""),
    ("Due", dt.date(2026, 11, 3), dt.date(2026, 11, 3), ""),
    ("Due", 46329, dt.date(2026, 11, 3), "46329"),
    ("Due", 20261103, dt.date(2026, 11, 3), "20261103"),
    ("Seen at", "3 Nov 2026 14:30", dt.datetime(2026, 11, 3, 13, 30, tzinfo=dt.UTC), "3 Nov 2026 14:30"),
    (
        "Seen at (UTC)",
        "3 Nov 2026 14:30",
        dt.datetime(2026, 11, 3, 14, 30, tzinfo=dt.UTC),
        "3 Nov 2026 14:30",
    ),
    (
        "Seen at",
        dt.datetime(2026, 11, 3, 14, 30),  # noqa: DTZ001
        dt.datetime(2026, 11, 3, 13, 30, tzinfo=dt.UTC),
        "2026-11-03 14:30:00",
    ),
    ("Kind", "GEL Battery", "gel", ""),
    ("Kind", "agm", "agm", ""),
    ("OK", "Yes", True, ""),
    ("OK", "no", False, ""),
    ("Count", "4", 4, ""),
    ("Count", 4.0, 4, ""),
    ("Note", 4.0, "4", ""),
    ("Note", "clear", CLEAR, ""),
    ("Note", "CLEAR", CLEAR, ""),
    ("Note", None, UNCHANGED, ""),
    ("Latitude", "59\u00b0 30' 36\" N", 59.51, "59\u00b0 30' 36\" N"),
    ("Longitude", "12.5 W", -12.5, "12.5 W"),
    ("Longitude", -12.5, -12.5, ""),
]


@pytest.mark.parametrize(("column", "cell", "value", "typed"), CELLS)
def test_what_people_type_is_read(column, cell, value, typed):
    got, faults, as_typed = one(column, cell)
    assert faults == []
    assert got == (pytest.approx(value) if isinstance(value, float) else value)
    assert as_typed == typed


FAULTY = [
    ("Mass", "heavy", "quantity.unreadable"),
    ("Mass", "12 V", "quantity.wrong_dimension"),
    ("Mass", "30 t", "cell.out_of_bounds"),
    ("Mass", True, "cell.not_a_quantity"),
    ("Mass", BadCell("error", "#REF!"), "cell.error"),
    ("Mass", BadCell("no_result"), "cell.no_result"),
    ("Mass", BadCell("merged"), "cell.merged"),
    ("Charge state", 80, "cell.out_of_bounds"),
    ("Due", "soon", "date.unreadable"),
    ("Due", dt.datetime(2026, 11, 3, 14, 30), "date.time_given"),  # noqa: DTZ001
    ("Due", 7, "date.serial_range"),
    ("Seen at", "2026-03-29 02:30", "date.skipped_hour"),
    ("Seen at", dt.datetime(2026, 10, 25, 2, 30), "date.repeated_hour"),  # noqa: DTZ001
    ("Kind", "lead", "cell.not_a_choice"),
    ("OK", "maybe", "cell.not_yes_no"),
    # A mark in an empty cell is no answer.
    ("OK", "-", "cell.not_yes_no"),
    ("OK", "\u2013", "cell.not_yes_no"),
    ("Longitude", "10.75 O", "cell.east_or_west"),
    ("Longitude", "O 10\u00b0 45'", "cell.east_or_west"),
    ("Longitude", "-10.75 W", "cell.two_signs"),
    ("Count", "4.5", "cell.not_whole"),
    ("Note", dt.date(2026, 11, 3), "cell.date_for_text"),
    ("Latitude", 91, "cell.out_of_bounds"),
    ("Latitude", "12 E", "cell.wrong_hemisphere"),
]


@pytest.mark.parametrize(("column", "cell", "key"), FAULTY)
def test_what_cannot_be_used_is_a_fault_with_place_value_and_mend(column, cell, key):
    value, faults, _ = one(column, cell)
    assert value is UNCHANGED
    assert [fault.key for fault in faults] == [key]
    fault = faults[0]
    assert (fault.sheet, fault.row, fault.column) == ("Sheet1", 2, column)
    assert fault.message.endswith(".")
    assert fault.mend.endswith(".")


def test_the_letter_o_is_east_in_some_languages_and_west_in_others():
    _, faults, _ = one("Longitude", "10.75 O")
    assert "E for east or W for west" in faults[0].mend
    assert one("Longitude", "10.75 E")[0] == 10.75
    assert one("Longitude", "10.75 W")[0] == -10.75


def test_a_row_shows_all_its_faults_at_once():
    parsed = read(("Tag", "Mass", "Due"), ("MW-1", "heavy", "soon"))
    assert [fault.key for fault in parsed.faults] == ["quantity.unreadable", "date.unreadable"]


def test_titles_above_blank_rows_repeated_headers_and_totals():
    parsed = read(
        ("Fleet list, north", None, BadCell("merged")),
        (None, None, None),
        ("Unit", "Weight (lb)", "Remarks"),
        ("MW-1", 8200, "a"),
        (None, None, None),
        ("Unit", "Weight (lb)", "Remarks"),
        ("MW-2", 8000, "b"),
        ("Total", 16200, None),
    )
    assert [row.values["tag"] for row in parsed.rows] == ["MW-1", "MW-2"]
    assert [row.number for row in parsed.rows] == [4, 7]
    assert [(left.number, left.reason) for left in parsed.left_out] == [(6, "header_again"), (8, "total")]
    assert parsed.data.unused == ("Remarks",)
    assert parsed.faults == []


def test_a_last_row_of_sums_without_a_word_is_a_total():
    rows = [("Tag", "Mass", "Count"), ("MW-1", 100, 2), ("MW-2", 200.5, 3)]
    summed = read(*rows, (None, 300.5, 5))
    assert [left.reason for left in summed.left_out] == ["total"]
    other = read(*rows, (None, 300.5, 6))
    assert other.left_out == []
    assert [fault.key for fault in other.faults] == ["row.key_missing"]


def test_a_unit_called_total_is_kept():
    parsed = read(("Tag", "Mass"), ("Total-1", 100))
    assert [row.values["tag"] for row in parsed.rows] == ["Total-1"]


def test_a_key_that_is_missing_twice_or_cleared_is_a_fault():
    parsed = read(("Tag", "Mass"), (None, 5), ("MW-1", 5), ("mw-1", 6), ("clear", 7))
    assert [(fault.row, fault.key) for fault in parsed.faults] == [
        (2, "row.key_missing"),
        (4, "row.twice"),
        (5, "row.key_missing"),
    ]


def test_a_sheet_without_header_or_key_says_what_it_needs():
    nothing = read(("some", "words"), ("and", "more"))
    assert [(f.key, "Tag" in f.mend) for f in nothing.faults] == [("header.missing", True)]
    data = open_sheet("Lots", raw(("Lot", "Expires"), ("A", "2026-11-03")), LOTS_SPEC)
    parsed = parse_sheet(data, Conventions())
    assert [(f.key, f.column) for f in parsed.faults] == [("header.key_missing", "Item")]
    assert parsed.rows == []


def test_a_unit_in_the_header_that_is_not_known_is_never_guessed():
    parsed = read(("Tag", "Mass (stone)"), ("MW-1", 5))
    assert [fault.key for fault in parsed.faults] == ["header.unit", "header.unit"]
    assert parsed.rows[0].values["mass_kg"] is UNCHANGED


def test_the_kind_of_sheet_is_told_by_title_or_header():
    specs = [UNITS_SPEC, LOTS_SPEC]
    assert choose_spec("UNITS", [], specs) is UNITS_SPEC
    assert choose_spec("Tabelle1", raw(("Item", "Batch", "Expires"), ("a", "b", "c")), specs) is LOTS_SPEC
    assert choose_spec("Notes", raw(("Dear colleagues",)), specs) is None


def test_the_file_is_settled_over_all_its_sheets():
    masses = open_sheet("A", raw(("Tag", "Mass", "Due"), ("1", "1,250", "03/11/2026")), UNITS_SPEC)
    clear = open_sheet("B", raw(("Tag", "Mass", "Due"), ("2", "12,5 kg", "25/11/2026")), UNITS_SPEC)
    conventions, questions = settle([masses, clear])
    assert (conventions.decimal_mark, conventions.day_order, questions) == (",", "day_first", [])
    _, asked = settle([masses])
    assert [question.key for question in asked] == ["decimal_mark", "day_order"]
    assert (asked[0].examples[0].row, asked[0].examples[0].column) == (2, "Mass")
    conventions, questions = settle([masses], decimal_mark=",", day_order="month_first")
    row = parse_sheet(masses, conventions).rows[0]
    assert (row.values["mass_kg"], row.values["due_on"]) == (1.25, dt.date(2026, 3, 11))


def test_stored_numbers_and_dates_ask_nothing():
    data = open_sheet("A", raw(("Tag", "Mass", "Due"), ("1", 1.25, dt.date(2026, 11, 3))), UNITS_SPEC)
    assert settle([data])[1] == []


def test_mixed_types_in_one_column():
    parsed = read(("Tag", "Mass"), ("A", 5), ("B", "5 kg"), ("C", 5.5), ("D", dt.date(2026, 1, 1)), (7, None))
    assert [row.values["tag"] for row in parsed.rows] == ["A", "B", "C", "D", "7"]
    assert [(fault.row, fault.key) for fault in parsed.faults] == [(5, "cell.not_a_quantity")]


@settings(deadline=None)
@given(st.floats(min_value=1, max_value=20_000), st.sampled_from(["kg", "lb"]))
def test_a_mass_typed_in_any_unit_is_read_back(kilograms, unit):
    factor = {"kg": 1.0, "lb": 0.45359237}[unit]
    value, faults, _ = one("Mass", f"{kilograms / factor:.6f} {unit}")
    if kilograms not in (1, 20_000) and not faults:
        assert value == pytest.approx(kilograms, abs=1e-5)


cell = st.one_of(
    st.none(), st.text(max_size=12), st.integers(), st.floats(allow_nan=True), st.booleans(), st.dates(),
    st.datetimes(), st.times(), st.timedeltas(),
    st.builds(Measured, st.floats(allow_nan=False), st.sampled_from(["lb", "%", "V"])),
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(cell, min_size=13, max_size=13))
def test_any_cells_are_read_or_refused_with_a_sentence(cells):
    header = tuple(column.label for column in UNITS_SPEC.columns)
    for fault in read(header, tuple(cells)).faults:
        assert fault.message
        assert fault.mend


def test_no_row_is_lost_however_long_the_sheet():
    rows = [(f"U-{number}", number) for number in range(1, 61)]
    data = open_sheet("Fleet", raw(("Tag", "Mass"), *rows), UNITS_SPEC)
    assert [row.cells[0] for row in data.rows] == [tag for tag, _mass in rows]
