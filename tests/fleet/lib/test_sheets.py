"""Files as people keep them, and files that mean harm."""

import datetime as dt
import io
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from fleet.lib.sheets import (
    BadCell,
    Limits,
    Measured,
    OutSheet,
    SheetError,
    export_safe,
    format_hints,
    open_book,
    write_csv,
    write_xlsx,
)


def book_bytes(build) -> bytes:
    book = Workbook()
    build(book.active)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def first_rows(content: bytes, name="file.xlsx", limits=None):
    with open_book(io.BytesIO(content), name, limits) as book:
        return [(row.number, row.cells) for row in book.sheets[0].rows()]


def repack(content: bytes, changes: dict[str, bytes | None], added: dict[str, bytes] | None = None) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            data = changes.get(info.filename, old.read(info.filename))
            if data is not None:
                new.writestr(info.filename, data)
        for name, data in (added or {}).items():
            new.writestr(name, data)
    return out.getvalue()


def test_values_keep_their_kind_and_rows_their_number():
    def build(tab):
        tab.append(["Tag", "Mass", "When", "Day", "Ok"])
        tab.append([])
        tab.append(
            ["MW-01", 3720.5, dt.datetime(2026, 11, 3, 14, 30), dt.date(2026, 11, 3), True]  # noqa: DTZ001
        )
        tab["A5"] = "  trimmed  "
        tab["C5"] = "#N/A"

    rows = first_rows(book_bytes(build))
    assert rows[0] == (1, ("Tag", "Mass", "When", "Day", "Ok"))
    assert rows[1] == (
        3,
        ("MW-01", 3720.5, dt.datetime(2026, 11, 3, 14, 30), dt.date(2026, 11, 3), True),  # noqa: DTZ001
    )
    assert rows[2] == (5, ("trimmed", None, BadCell("error", "#N/A")))


@pytest.mark.parametrize(
    ("code", "hints"),
    [
        ('0" lb"', ("lb", False)),
        ("0%", ("%", False)),
        ("General", ("", False)),
        ("dd/mm/yyyy hh:mm", ("", True)),
        ("dd/mm/yyyy", ("", False)),
        ('#,##0.0" kg";[Red]-0', ("kg", False)),
        ("[h]:mm", ("", True)),
        ('0" "', ("", False)),
    ],
)
def test_number_formats_tell_units_and_times(code, hints):
    assert format_hints(code) == hints


def test_a_unit_that_is_only_in_the_number_format_is_not_lost():
    def build(tab):
        tab["A1"] = 8200
        tab["A1"].number_format = '0" lb"'
        tab["B1"] = 0.85
        tab["B1"].number_format = "0%"

    assert first_rows(book_bytes(build)) == [(1, (Measured(8200.0, "lb"), Measured(85.0, "%")))]


def test_a_formula_gives_its_stored_result_and_none_is_a_bad_cell():
    def build(tab):
        tab["A1"] = 1
        tab["B1"] = "=A1+1"

    content = book_bytes(build)
    assert first_rows(content) == [(1, (1, BadCell("no_result")))]
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        xml = archive.read("xl/worksheets/sheet1.xml")
    stored = repack(
        content,
        {
            "xl/worksheets/sheet1.xml": xml.replace(b"<v></v>", b"<v>2</v>")
            .replace(b"<v/>", b"<v>2</v>")
            .replace(b"<v />", b"<v>2</v>")
        },
    )
    assert first_rows(stored) == [(1, (1, 2))]


def test_the_covered_part_of_a_merged_cell_is_marked():
    def build(tab):
        tab.append(["Tag", "Reading"])
        tab.append(["MW-01", 12.7])
        tab.append([None, 12.6])
        tab.merge_cells("A2:A3")

    assert first_rows(book_bytes(build))[1:] == [(2, ("MW-01", 12.7)), (3, (BadCell("merged"), 12.6))]


def test_a_wrong_dimension_hides_nothing():
    content = book_bytes(lambda tab: [tab.append([n]) for n in range(5)])
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        xml = archive.read("xl/worksheets/sheet1.xml")
    assert b'ref="A1:A5"' in xml
    shrunk = repack(content, {"xl/worksheets/sheet1.xml": xml.replace(b'ref="A1:A5"', b'ref="A1"')})
    assert len(first_rows(shrunk)) == 5


# --- delimited text ---


@pytest.mark.parametrize(
    ("content", "cells"),
    [
        (b"tag;mass\nMW-01;3720,5\n", ("MW-01", "3720,5")),
        (b"tag,mass\nMW-01,3720.5\n", ("MW-01", "3720.5")),
        (b"tag\tmass\r\nMW-01\t3720\r\n", ("MW-01", "3720")),
        ("\ufefftag;name\nMW-01;Gr\u00fcn\n".encode(), ("MW-01", "Gr\u00fcn")),
        ("tag;name\nMW-01;Gr\u00fcn\n".encode("cp1252"), ("MW-01", "Gr\u00fcn")),
        ("tag;name\nMW-01;Gr\u00fcn\n".encode("utf-16"), ("MW-01", "Gr\u00fcn")),
        (b'tag,note\nMW-01,"a, b; ""c""\nd"\n', ("MW-01", 'a, b; "c"\nd')),
        (b"sep=;\ntag;mass\nMW-01;1,5\n", ("MW-01", "1,5")),
        (b"tag;mass\nMW-01;\n", ("MW-01",)),
    ],
)
def test_delimited_files_of_many_makes(content, cells):
    assert first_rows(content, "file.csv")[-1][1] == cells


def test_blank_lines_count_as_rows_but_are_left_out():
    assert first_rows(b"tag;a\n\n;\nMW-01;b\n", "x.csv") == [(1, ("tag", "a")), (4, ("MW-01", "b"))]


def test_a_quotation_mark_that_never_closes_names_its_line():
    with pytest.raises(SheetError, match="Line 3") as caught:
        first_rows(b'tag,note\na,b\nc,"open\nd,e\n', "x.csv")
    assert caught.value.key == "sheet.quotes"


# --- hostile files ---


def test_a_zip_bomb_is_refused_before_it_is_unpacked():
    content = repack(
        book_bytes(lambda tab: tab.append(["a"])),
        {},
        {"xl/media/big.xml": b"<a>" + b" " * 60_000_000 + b"</a>"},
    )
    assert len(content) < 200_000
    with pytest.raises(SheetError) as caught:
        first_rows(content)
    assert caught.value.key == "sheet.ratio"
    with pytest.raises(SheetError) as caught:
        first_rows(content, limits=Limits(unpacked_bytes=10_000_000))
    assert caught.value.key == "sheet.unpacked_too_large"


BILLION = (
    b'<?xml version="1.0"?><!DOCTYPE lolz [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;">]>'
    b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
    b'<row r="1"><c r="A1" t="inlineStr"><is><t>&b;</t></is></c></row></sheetData></worksheet>'
)


@pytest.mark.parametrize(
    "evil",
    [
        BILLION,
        b"<?xml version='1.0'?>" + b"<!-- pad -->" * 100_000 + BILLION[21:],
        BILLION.replace(b"<!DOCTYPE lolz [", b'<!DOCTYPE lolz SYSTEM "file:///etc/passwd" ['),
    ],
)
@pytest.mark.parametrize("part", ["xl/worksheets/sheet1.xml", "xl/workbook.xml", "docProps/core.xml"])
def test_entities_are_refused_wherever_they_hide(evil, part):
    content = repack(book_bytes(lambda tab: tab.append(["a"])), {part: evil})
    with pytest.raises(SheetError) as caught:
        first_rows(content)
    assert caught.value.key == "sheet.entities"


def test_an_encoding_that_would_hide_entities_is_refused():
    content = repack(
        book_bytes(lambda tab: tab.append(["a"])),
        {
            "xl/worksheets/sheet1.xml": BILLION.decode()
            .replace('"1.0"', '"1.0" encoding="UTF-16"')
            .encode("utf-16")
        },
    )
    with pytest.raises(SheetError) as caught:
        first_rows(content)
    assert caught.value.key == "sheet.encoding"


def test_a_million_empty_rows_cost_little_and_hide_nothing():
    content = book_bytes(lambda tab: tab.append(["a"]))
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        xml = archive.read("xl/worksheets/sheet1.xml")
    empty = b"".join(b'<row r="%d"/>' % number for number in range(2, 1_000_001))
    last = b'<row r="1000001"><c r="A1000001"><v>7</v></c></row>'
    content = repack(
        content, {"xl/worksheets/sheet1.xml": xml.replace(b"</sheetData>", empty + last + b"</sheetData>")}
    )
    assert first_rows(content) == [(1, ("a",)), (1_000_001, (7,))]


def test_rows_columns_and_sheets_are_bounded_with_a_sentence():
    many_rows = book_bytes(lambda tab: [tab.append([n]) for n in range(12)])
    with pytest.raises(SheetError, match="over 10 filled rows"):
        first_rows(many_rows, limits=Limits(rows=10))

    def far_column(tab):
        tab["XFD1"] = "far"

    with pytest.raises(SheetError) as caught:
        first_rows(book_bytes(far_column))
    assert caught.value.key == "sheet.too_many_columns"
    with pytest.raises(SheetError) as caught:
        first_rows(b"a\n" * 12, "x.csv", Limits(rows=10))
    assert caught.value.key == "sheet.too_many_rows"


@pytest.mark.parametrize(
    ("content", "key"),
    [
        (b"", "sheet.empty"),
        (b"PK\x03\x04 not really", "sheet.unreadable"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 100, "sheet.old_format"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "sheet.binary"),
    ],
)
def test_what_is_no_table_is_refused_with_a_sentence(content, key):
    with pytest.raises(SheetError) as caught:
        first_rows(content, "file.bin")
    assert caught.value.key == key
    assert caught.value.sentence


def test_an_archive_that_is_no_workbook_is_named():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("readme.txt", "hello")
    with pytest.raises(SheetError) as caught:
        first_rows(out.getvalue())
    assert caught.value.key == "sheet.not_a_workbook"


def test_a_truncated_workbook_is_refused():
    content = book_bytes(lambda tab: [tab.append(["x" * 50, n]) for n in range(500)])
    with pytest.raises(SheetError):
        first_rows(content[: len(content) // 2])


# --- writing ---


@pytest.mark.parametrize("text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", " =1", "\uff1d1"])
def test_text_that_goes_out_is_never_a_formula(text):
    assert export_safe(text) == f"'{text}"
    out = io.BytesIO()
    write_xlsx(out, [OutSheet("S", ["head"], [[text]])])
    cell = load_workbook(io.BytesIO(out.getvalue())).active["A2"]
    assert cell.data_type == "s"
    assert first_rows(out.getvalue())[1][1][0].__class__ is not BadCell


@pytest.mark.parametrize("value", ["-5.2", "+47", "plain", "12-3", 5, -5.2, None])
def test_plain_values_are_left_alone(value):
    assert export_safe(value) == value


cell_text = st.text(
    st.characters(blacklist_categories=("Cs", "Cc"), blacklist_characters="\ufffe\uffff"),
    min_size=1,
    max_size=20,
).filter(lambda text: text == text.strip() and text and text not in {"#N/A"})


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(cell_text, min_size=3, max_size=3), min_size=1, max_size=5),
    st.sampled_from([",", ";", "\t"]),
)
def test_what_is_written_is_read_back(rows, delimiter):
    out = io.BytesIO()
    write_csv(out, ["one", "two", "three"], rows, delimiter)
    read = first_rows(out.getvalue(), "x.csv")
    assert [list(cells) for _, cells in read[1:]] == rows
    out = io.BytesIO()
    write_xlsx(out, [OutSheet("S", ["one", "two", "three"], rows)])
    assert [list(cells) for _, cells in first_rows(out.getvalue())[1:]] == rows


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused(content):
    try:
        first_rows(content, "x.csv")
        first_rows(b"PK" + content, "x.xlsx")
    except SheetError as error:
        assert error.sentence  # noqa: PT017
