"""A messy workbook comes in: what it adds, what it changes, what it leaves, and that twice is once."""

import datetime as dt
from decimal import Decimal

import pytest

from fleet.models import (
    AuditEntry,
    BatteryBank,
    Certificate,
    DayLog,
    Deployment,
    ImportChange,
    ImportRun,
    PackedForm,
    Place,
    Unit,
)
from fleet.services import changes
from inventory.models import Balance, Lot, Movement
from readiness.models import Charge, Reading
from tests.data import messy_workbook as messy
from tests.fleet.services.imports.steps import (
    answer,
    applied,
    bring_in,
    counts,
    read,
    read_and_bring_in,
    workbook,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
UTC = dt.UTC


@pytest.fixture
def told(monkeypatch, django_capture_on_commit_callbacks):
    """The units that were announced as changed."""
    seen: list[set[int]] = []
    monkeypatch.setattr("fleet.services.imports.runs.units_changed", lambda ids: seen.append(set(ids)))
    return seen


def test_the_whole_messy_workbook_comes_in(told):
    run = read_and_bring_in(messy.build())
    assert run.state == ImportRun.State.APPLIED
    assert run.preview["unknown"] == ["Notes"]
    rows = {title: len(rows) - 1 for title, rows in messy.SHEETS.items()}
    for sheet in run.preview["sheets"]:
        expected = {"Fleet list": 3, "Stock": 2}.get(sheet["title"], rows[sheet["title"]])
        assert sheet["counts"]["added"] == expected, sheet["title"]
    unit = Unit.objects.get(tag="MW-002")
    assert (unit.design.code, unit.home.code, unit.packed_form.code) == ("WX-40", "NORD", "skid")
    assert unit.note == "=not a formula"
    first, away, back = unit.stays.order_by("started_at")
    assert first.started_at == dt.datetime(2024, 3, 2, 23, 0, tzinfo=UTC)
    assert (first.place.code, back.place.code, back.ended_at) == ("NORD", "NORD", None)
    assert (first.ended_at, back.started_at) == (away.absence.started_at, away.absence.ended_at)
    assert PackedForm.objects.get(code="skid").mass_kg == pytest.approx(3719.457434)
    assert Place.objects.get(code="NORD").lat_deg == pytest.approx(59.91278, abs=1e-5)
    assert Place.objects.get(code="SOUTH").elevation_m == pytest.approx(11.8872)
    bank = BatteryBank.objects.get(serial="BK-002")
    assert (bank.cells_in_series, bank.chemistry, bank.standby_ma) == (8, "lfp", None)
    assert BatteryBank.objects.get(serial="BK-003").standby_ma == pytest.approx(40.0)
    assert set(unit.certificates.values_list("expires_on", flat=True)) == {dt.date(2025, 11, 30)}
    reading = Reading.objects.get(happened_at=dt.datetime(2025, 7, 25, 8, 15, tzinfo=UTC))
    assert (reading.bank.serial, reading.volts_v, reading.temp_c, reading.rest_h) == (
        "BK-001",
        25.2,
        18.0,
        26.0,
    )
    assert Charge.objects.get(bank__serial="BK-001").ended_at == dt.datetime(2025, 8, 2, 5, 30, tzinfo=UTC)
    assert DayLog.objects.get(day="2025-06-04").volume_a_m3 == pytest.approx(18.92706, abs=1e-5)
    assert Balance.objects.get(lot__code="C-77").qty == Decimal("12.5")
    assert Deployment.objects.get(code="2025-EX-01").exercise
    assert told == [set(Unit.objects.values_list("pk", flat=True))]


def test_the_typed_text_and_unit_stay_with_the_value():
    run = read_and_bring_in(messy.build())
    change = ImportChange.objects.get(run=run, sheet="packed_forms", row=2)
    assert change.typed["mass_kg"] == "8 200 (lb)"
    assert change.typed["height_mm"] == "7 ft 5 in"
    day_log = ImportChange.objects.get(run=run, sheet="day_logs", row=3)
    assert day_log.typed["volume_a_m3"] == "5000 gal"


def test_every_row_has_one_audit_line_that_says_from_which_row_of_which_import():
    run = read_and_bring_in(messy.build())
    lines = AuditEntry.objects.filter(note__startswith=f"import {run.pk},")
    expected = sum(sheet["added"] for name, sheet in applied(run).items() if name != "stock_counts")
    assert lines.count() == expected
    assert lines.get(action="unit.import", subject_label="MW-003").note.endswith("Units row 8")


def test_the_same_file_twice_changes_nothing():
    read_and_bring_in(messy.build())
    before = (Movement.objects.count(), ImportChange.objects.count(), Reading.objects.count())
    again = read(messy.build())
    assert again.faults == []
    assert all(numbers[0] == numbers[1] == numbers[3] == 0 for numbers in counts(again).values())
    bring_in(again)
    assert (Movement.objects.count(), ImportChange.objects.count(), Reading.objects.count()) == before


def test_faults_name_sheet_row_column_value_and_mend():
    run = read(messy.build(faulty=True))
    assert run.state == ImportRun.State.PREVIEW
    found = {(fault["sheet"], fault["row"], fault["key"]) for fault in run.faults}
    for title, row, _column, _text, key in messy.FAULTS:
        assert (title, row, key) in found, (title, row, key, sorted(found))
    for fault in run.faults:
        assert fault["message"].endswith("."), fault
        assert fault["mend"].endswith("."), fault
    unknown = next(
        fault for fault in run.faults if fault["key"] == "reference.unknown" and fault["value"] == "SUOTH"
    )
    assert "SOUTH" in unknown["mend"]
    assert unknown["column"] == "Depot"


def test_all_or_nothing_and_good_rows_only_per_sheet():
    content = messy.build(faulty=True)
    run = bring_in(read(content), sheets={"packed_forms": "good", "certificates": "skip"})
    result = applied(run)
    assert result["places"]["refused"]
    assert result["packed_forms"]["added"] == 1
    assert result["certificates"]["mode"] == "skip"
    assert not Place.objects.exists()
    assert not Certificate.objects.exists()
    assert PackedForm.objects.get().code == "skid"
    assert result["items"]["added"] == 3


def test_a_file_that_shows_no_decimal_mark_is_asked_about_once():
    rows = [("Bank", "Date", "Volts"), ("BK-001", "2025-07-25", "25,300")]
    read_and_bring_in(messy.build(only=("Depots", "Designs", "Packed forms", "Fleet list", "Batteries")))
    run = read(workbook(Readings=rows))
    assert run.state == ImportRun.State.QUESTION
    assert [question["key"] for question in run.questions] == ["decimal_mark"]
    assert run.questions[0]["examples"] == [["Readings", 2, "Volts", "25,300"]]
    run = answer(run, decimal_mark=",")
    assert run.state == ImportRun.State.PREVIEW
    assert counts(run)["readings"] == (1, 0, 0, 0)
    bring_in(run)
    assert Reading.objects.get().volts_v == pytest.approx(25.3)


def test_cells_that_disagree_are_asked_about_and_then_faulty_where_they_differ():
    run = read(messy.build(mixed_decimals=True))
    assert (run.state, run.questions[0]["reason"]) == (ImportRun.State.QUESTION, "disagree")
    run = answer(run, decimal_mark=".")
    assert [(fault["sheet"], fault["row"], fault["value"]) for fault in run.faults] == [
        ("Voltage readings", 4, "50,60")
    ]


def test_what_is_stated_with_the_file_is_not_asked():
    run = read(messy.build(mixed_decimals=True), decimal_mark=",")
    assert run.state == ImportRun.State.PREVIEW


def test_an_empty_cell_leaves_and_the_word_clear_empties():
    read_and_bring_in(messy.build())
    rows = [("Unit", "Remarks", "Serial", "In service since"), ("mw-001", "clear", None, "clear")]
    run = read(workbook(Units=rows))
    assert run.faults == []
    assert counts(run)["units"] == (0, 1, 0, 0)
    cells = {
        cell["label"]: (cell["old"], cell["new"]) for cell in run.preview["sheets"][0]["changed"][0]["cells"]
    }
    assert cells == {"Note": ("first of its kind", "—"), "Commissioned on": ("2024-03-01", "—")}
    bring_in(run)
    unit = Unit.objects.get(tag="MW-001")
    assert (unit.note, unit.commissioned_on, unit.serial, unit.version) == ("", None, "", 2)


def test_what_cannot_be_emptied_is_a_fault():
    read_and_bring_in(messy.build())
    run = read(workbook(Units=[("Unit", "Depot"), ("MW-001", "clear")]))
    assert [(fault["key"], fault["column"]) for fault in run.faults] == [("cell.cannot_clear", "Depot")]


def test_absence_from_a_file_deletes_nothing():
    read_and_bring_in(messy.build())
    run = bring_in(read(workbook(Units=[("Unit", "Remarks"), ("MW-001", "seen")])))
    assert run.state == ImportRun.State.APPLIED
    assert Unit.objects.count() == 3


def test_a_correction_of_an_event_supersedes_it():
    read_and_bring_in(messy.build())
    rows = [("Bank", "Date", "Volts"), ("BK-001", "2025-07-25 10:15", 25.25)]
    run = read(workbook(Readings=rows))
    assert counts(run)["readings"] == (0, 1, 0, 0)
    bring_in(run)
    old, new = Reading.objects.filter(happened_at=dt.datetime(2025, 7, 25, 8, 15, tzinfo=UTC)).order_by("pk")
    assert old.superseded_by == new
    assert (old.struck_at, old.volts_v, new.volts_v, new.temp_c, new.note) == (
        None,
        25.2,
        25.25,
        18.0,
        "warm day",
    )
    assert new.counts
    assert not old.counts


def test_a_counted_stock_that_differs_goes_through_the_ledger():
    read_and_bring_in(messy.build())
    rows = [
        ("Depot", "Article", "Lot", "Quantity", "Counted on"),
        ("NORD", "CART-5", "L2405", 20, "2025-09-25"),
    ]
    read_and_bring_in(workbook(Stock=rows))
    assert Balance.objects.get(lot__code="L2405").qty == 20
    movement = Movement.objects.latest("pk")
    assert (movement.kind, movement.qty, movement.counted_qty) == ("count", Decimal(4), Decimal(20))
    assert movement.import_run is not None


def test_a_unit_still_away_leaves_through_the_service():
    read_and_bring_in(messy.build())
    rows = [
        ("Mission", "Unit", "From", "Custodian"),
        ("2025-QUAKE-01", "MW-001", "2025-09-28", "Coastal team"),
    ]
    read_and_bring_in(workbook(Missions=rows))
    unit = Unit.objects.get(tag="MW-001")
    assert unit.absences.get().custodian == "Coastal team"
    assert unit.stays.get(ended_at=None).absence_id is not None
    without = read(workbook(Missions=[("Mission", "Unit", "From"), ("2025-X", "MW-002", "2025-09-28")]))
    assert [(fault["key"], fault["column"]) for fault in without.faults] == [
        ("absence.no_custodian", "Custodian")
    ]


def test_a_bank_that_moves_goes_through_the_service_and_voids_evidence():
    read_and_bring_in(messy.build())
    run = read_and_bring_in(workbook(Batteries=[("Bank", "On the shelf at"), ("BK-001", "NORD")]))
    assert applied(run)["banks"]["changed"] == 1
    bank = BatteryBank.objects.get(serial="BK-001")
    assert bank.stays.get(ended_at=None).place.code == "NORD"
    assert Unit.objects.get(tag="MW-001").modifications.exists()


def test_two_banks_in_one_position_are_refused():
    read_and_bring_in(messy.build())
    rows = [("Bank", "Unit", "Type", "Capacity", "Cells"), ("BK-009", "MW-001", "gel", 100, 12)]
    run = read(workbook(Batteries=rows))
    assert [(fault["key"], fault["row"]) for fault in run.faults] == [("bank.position_taken", 2)]


def test_text_files_come_in_by_their_header(tmp_path):
    read_and_bring_in(messy.build(only=("Depots", "Designs", "Packed forms", "Fleet list", "Batteries")))
    text = "\ufeffBattery;Date;Volts;Temp\r\nBK-001;25.07.2025 10:15;25,2;18\r\nBK-001;26.07.2025 10:15;25,1;18\r\n"
    run = read(text.encode(), name="export.csv")
    assert run.faults == []
    assert counts(run) == {"readings": (2, 0, 0, 0)}
    bring_in(run)
    assert sorted(Reading.objects.values_list("volts_v", flat=True)) == [25.1, 25.2]


def test_a_file_without_a_sheet_we_know_fails_with_a_sentence():
    run = read(workbook(Sheet1=[("one", "two"), (1, 2)]))
    assert run.state == ImportRun.State.FAILED
    assert "Units" in run.error
    run = read(b"PK\x03\x04 broken")
    assert run.state == ImportRun.State.FAILED
    assert "cannot be read" in run.error or "workbook" in run.error


def test_a_hidden_sheet_is_left_out_and_said():
    import io

    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(messy.build(only=("Depots", "Designs"))))
    book["Designs"].sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    run = read(out.getvalue())
    assert list(counts(run)) == ["places"]
    assert run.preview["unknown"] == ["Designs"]


def test_lots_and_parts_keep_their_dates():
    read_and_bring_in(messy.build())
    lot = Lot.objects.get(code="L2405")
    assert (lot.made_on, lot.expires_on) == (dt.date(2024, 5, 31), dt.date(2029, 5, 31))


def test_units_are_announced_through_the_listeners(django_capture_on_commit_callbacks):
    heard: list[frozenset[int]] = []
    changes.on_units_changed(heard.append)
    try:
        with django_capture_on_commit_callbacks(execute=True):
            read_and_bring_in(messy.build(only=("Depots", "Designs", "Packed forms", "Fleet list")))
    finally:
        changes._listeners.remove(heard.append)
    assert frozenset(Unit.objects.values_list("pk", flat=True)) in heard


def test_two_sheets_of_one_kind_are_kept_apart():
    read_and_bring_in(messy.build(only=("Depots", "Designs", "Packed forms", "Fleet list", "Batteries")))
    header = ("Battery", "Date", "Volts")
    north = [header, ("BK-001", "2025-07-25 10:15", 25.2), ("BK-001", "2025-07-26 10:15", 25.1)]
    south = [header, ("BK-003", "2025-07-25 10:15", 50.2), ("BK-001", "2025-07-26 10:15", 25.3)]
    run = read(workbook(Walk_north=north, Walk_south=south))
    assert counts(run) == {"readings": (2, 0, 0, 0), "readings#2": (1, 0, 0, 0)}
    assert [(fault["sheet"], fault["row"], fault["key"]) for fault in run.faults] == [
        ("Walk south", 3, "row.twice")
    ]
    run = bring_in(run, sheets={"readings#2": "good"})
    assert [(name, sheet["added"]) for name, sheet in applied(run).items()] == [
        ("readings", 2),
        ("readings#2", 1),
    ]
    assert Reading.objects.count() == 3
