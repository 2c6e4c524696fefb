"""What is newer here stays unless ticked; what came in can be taken back as a whole until something is built on it."""

import datetime as dt

import pytest
from django.apps import apps
from django.utils import timezone

from fleet.lib.errors import DomainError
from fleet.lib.jobs import JobCancelled
from fleet.models import AuditEntry, ImportChange, ImportRun, Job, Membership, Place, Unit, UnitStay, User
from fleet.models.office import Role
from fleet.services.imports.kinds import kind_named, register
from fleet.services.imports.runs import import_apply
from fleet.services.imports.undoing import obstacles
from fleet.services.jobs import job_run
from fleet.services.units import unit_move
from fleet.services.versions import save_versioned
from inventory.models import Balance, Lot, Movement
from inventory.services.ledger import stock_count
from readiness.models import Reading
from readiness.services.upkeep import reading_record
from tests.data import messy_workbook as messy
from tests.fleet.services.imports.steps import (
    applied,
    bring_in,
    counts,
    read,
    read_and_bring_in,
    take_back,
    workbook,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
LONG_AGO = dt.datetime(2025, 9, 1, tzinfo=dt.UTC)
BASIS = ("Depots", "Designs", "Packed forms", "Fleet list", "Batteries")


def snapshot():
    """Every row of every table that an import writes, without the trail of what was done."""
    skip = {
        "AuditEntry",
        "ImportRun",
        "ImportChange",
        "Job",
        "Attachment",
        "Movement",
        "Balance",
        "JudgementDue",
    }
    models = [
        model
        for app in ("fleet", "inventory", "readiness")
        for model in apps.get_app_config(app).get_models()
        if model.__name__ not in skip
    ]
    ignored = {"version", "updated_at"}
    return {
        model.__name__: sorted(
            str({name: value for name, value in row.items() if name not in ignored})
            for row in model._base_manager.values()
        )
        for model in models
    }


def edit(tag, **values):
    unit = Unit.objects.get(tag=tag)
    return save_versioned(
        instance=unit, seen_version=unit.version, changes=values, actor=None, action="unit.update"
    )


# --- newer here ---


def test_a_value_changed_here_after_the_file_was_saved_stays_unless_ticked():
    read_and_bring_in(messy.build(only=BASIS))
    between = timezone.now()
    edit("MW-001", note="seen in the yard today")
    rows = [("Unit", "Remarks", "Serial"), ("MW-001", "as in spring", "4711")]
    run = read(workbook(Units=rows), file_as_of=between.isoformat())
    sheet = run.preview["sheets"][0]
    assert counts(run)["units"] == (0, 1, 0, 1)
    assert [cell["name"] for cell in sheet["newer"][0]["cells"]] == ["note"]
    assert (sheet["newer"][0]["cells"][0]["old"], sheet["newer"][0]["cells"][0]["new"]) == (
        "seen in the yard today",
        "as in spring",
    )
    run = bring_in(run)
    unit = Unit.objects.get(tag="MW-001")
    assert (unit.note, unit.serial) == ("seen in the yard today", "4711")
    assert applied(run)["units"]["kept"] == 1


@pytest.mark.parametrize("ticked", ["*", ["2:note"]])
def test_a_ticked_value_is_taken_from_the_file(ticked):
    read_and_bring_in(messy.build(only=BASIS))
    edit("MW-001", note="seen in the yard today")
    rows = [("Unit", "Remarks"), ("MW-001", "as in spring")]
    run = read(workbook(modified=LONG_AGO, Units=rows))
    run = bring_in(run, newer={"units": ticked})
    assert Unit.objects.get(tag="MW-001").note == "as in spring"


def test_a_value_changed_between_preview_and_yes_stays_even_if_ticked():
    read_and_bring_in(messy.build(only=BASIS))
    run = read(workbook(Units=[("Unit", "Remarks"), ("MW-001", "from the file")]))
    assert counts(run)["units"] == (0, 1, 0, 0)
    edit("MW-001", note="typed meanwhile")
    run = bring_in(run, newer={"units": "*"})
    assert Unit.objects.get(tag="MW-001").note == "typed meanwhile"
    assert applied(run)["units"]["kept"] == 1


def test_the_age_of_a_workbook_is_when_it_was_last_saved():
    read_and_bring_in(messy.build(only=BASIS))
    run = read(workbook(modified=LONG_AGO, Units=[("Unit", "Remarks"), ("MW-001", "older")]))
    assert run.preview["as_of"] == LONG_AGO.isoformat()
    assert counts(run)["units"] == (0, 0, 1, 1)


def test_a_stated_age_of_a_text_file_counts_like_that_of_a_workbook():
    read_and_bring_in(messy.build(only=BASIS))
    edit("MW-001", note="newer")
    run = read(b"Unit;Remarks\nMW-001;older\n", name="units.csv", file_as_of=LONG_AGO.isoformat())
    assert counts(run)["units"] == (0, 0, 1, 1)


# --- undo ---


def test_an_import_is_taken_back_without_a_trace_but_the_trail():
    before = snapshot()
    run = read_and_bring_in(
        messy.build(only=(*BASIS, "Voltage readings", "Charge log", "Certs", "Missions", "Daily log"))
    )
    assert Reading.objects.exists()
    run = take_back(run)
    assert run.state == ImportRun.State.UNDONE
    assert snapshot() == before
    assert AuditEntry.objects.filter(action="unit.import_undo").count() == 3
    again = read_and_bring_in(messy.build(only=BASIS))
    assert applied(again)["units"]["added"] == 3


def test_changes_moves_and_corrections_are_taken_back_too():
    read_and_bring_in(messy.build())
    before = snapshot()
    run = read_and_bring_in(
        workbook(
            Units=[("Unit", "Remarks", "Depot", "Stands at"), ("MW-001", "moved", "SOUTH", "VALLEY")],
            Batteries=[("Bank", "On the shelf at", "Capacity"), ("BK-002", "NORD", "150 Ah")],
            Readings=[("Bank", "Date", "Volts"), ("BK-001", "2025-07-25 10:15", 25.25)],
            Missions=[
                ("Mission", "Unit", "From", "Custodian"),
                ("2025-Q", "MW-003", "2025-09-28", "Coastal team"),
            ],
            Depot_terms=[("Depot", "From", "Notice"), ("NORD", dt.date(2025, 5, 1), "12 h")],
        )
    )
    assert snapshot() != before
    assert Unit.objects.get(tag="MW-001").stays.get(ended_at=None).place.code == "VALLEY"
    assert take_back(run).state == ImportRun.State.UNDONE
    assert snapshot() == before


def test_counts_are_reversed_and_what_the_ledger_names_stays_empty():
    run = read_and_bring_in(messy.build(only=("Depots", "Item list", "Batches", "Stock")))
    assert Balance.objects.get(lot__code="L2405").qty == 24
    run = take_back(run)
    assert run.state == ImportRun.State.UNDONE
    assert set(Balance.objects.values_list("qty", flat=True)) == {0}
    assert set(Lot.objects.values_list("code", flat=True)) == {"L2405", "C-77"}
    assert Movement.objects.filter(kind="reversal").count() == 2
    assert set(Place.objects.values_list("code", flat=True)) == {"NORD"}
    assert len(run.preview["kept"]) == 5


def test_a_count_that_replaced_another_is_counted_back():
    read_and_bring_in(messy.build())
    rows = [
        ("Depot", "Article", "Lot", "Quantity", "Counted on"),
        ("NORD", "CART-5", "L2405", 20, "2025-09-20"),
    ]
    run = read(workbook(Stock=rows))
    assert counts(run)["stock_counts"] == (0, 1, 0, 0)
    run = bring_in(run)
    assert Balance.objects.get(lot__code="L2405").qty == 20
    take_back(run)
    assert Balance.objects.get(lot__code="L2405").qty == 24


def reading_later():
    from fleet.models import BatteryBank

    reading_record(
        bank=BatteryBank.objects.get(serial="BK-001"),
        happened_at=dt.datetime(2025, 9, 29, 8, tzinfo=dt.UTC),
        actor=None,
        volts_v=25.2,
    )


def edited_later():
    edit("MW-001", note="edited since")


def moved_later():
    unit_move(
        unit=Unit.objects.get(tag="MW-001"),
        to=Place.objects.get(code="VALLEY"),
        at=dt.datetime(2025, 9, 29, 8, tzinfo=dt.UTC),
        actor=None,
    )


def counted_later():
    stock_count(
        lot=Lot.objects.get(code="L2405"),
        counted_qty=3,
        happened_at=dt.datetime(2025, 9, 29, 8, tzinfo=dt.UTC),
        actor=None,
        place=Place.objects.get(code="NORD"),
    )


@pytest.mark.parametrize("build", [reading_later, moved_later, counted_later])
def test_what_was_built_on_an_import_stops_the_undo_with_a_sentence(build):
    run = read_and_bring_in(messy.build())
    assert obstacles(run) == []
    build()
    before = snapshot()
    with pytest.raises(DomainError) as caught:
        take_back(run)
    assert caught.value.key == "import.built_on"
    assert "rests on" in caught.value.sentence
    assert snapshot() == before
    assert ImportRun.objects.get(pk=run.pk).state == ImportRun.State.APPLIED


def test_a_value_changed_since_stops_the_undo():
    read_and_bring_in(messy.build(only=BASIS))
    run = read_and_bring_in(workbook(Units=[("Unit", "Remarks"), ("MW-001", "from the file")]))
    edited_later()
    with pytest.raises(DomainError, match="was changed since"):
        take_back(run)


# --- all or nothing when the database refuses halfway ---


def test_a_sheet_that_fails_halfway_is_taken_back_and_the_others_stay(monkeypatch):
    kind = kind_named("readings")
    monkeypatch.setattr("fleet.services.imports.runs.PORTION", 2)
    written = []

    class Failing(type(kind)):
        def beside(self, lookups, row):
            written.append(row.number)
            if len(written) == 3:
                raise DomainError("test.refused", "The third row is refused.")
            return []

    register(Failing())
    try:
        run = bring_in(read(messy.build()))
    finally:
        register(kind)
    result = applied(run)["readings"]
    assert (result["refused"], result["reason"]) == (True, "The third row is refused.")
    assert not Reading.objects.exists()
    assert not ImportChange.objects.filter(run=run, sheet="readings").exists()
    assert applied(run)["charges"]["added"] == 2


def test_an_import_stopped_halfway_keeps_whole_sheets_and_can_be_taken_back(monkeypatch):
    """Stopped after the third sheet: what was written is whole sheets, and the undo knows them."""
    before = snapshot()
    run = read(messy.build(only=BASIS))
    seen = []

    def stop_at_the_fourth(context):
        seen.append(1)
        if len(seen) == 4:
            raise JobCancelled

    monkeypatch.setattr("fleet.services.jobs.RunningJob.check_cancelled", stop_at_the_fourth)
    run = bring_in(run)
    assert run.state == ImportRun.State.FAILED
    assert run.error
    assert Place.objects.count() == 4
    assert not Unit.objects.exists()
    assert take_back(run).state == ImportRun.State.UNDONE
    assert snapshot() == before


def test_a_job_cut_off_between_two_transactions_goes_on_where_it_stopped(monkeypatch):
    monkeypatch.setattr("fleet.services.imports.runs.PORTION", 1)
    run = import_apply(run=read(messy.build()), choices={}, actor=None)
    run.refresh_from_db()
    cuts = []

    def cut(name):
        if name == "import:chunk-written":
            cuts.append(name)
            if len(cuts) in (3, 14):
                raise SystemExit("killed")

    monkeypatch.setattr("fleet.services.jobs.fault_point", cut)
    for _ in range(2):
        with pytest.raises(SystemExit):
            job_run(job_id=run.apply_job_id, keep_lease=False)
        Job.objects.filter(pk=run.apply_job_id).update(lease_until=timezone.now() - dt.timedelta(minutes=1))
    job_run(job_id=run.apply_job_id, keep_lease=False)
    run.refresh_from_db()
    assert run.state == ImportRun.State.APPLIED
    expected = {title: len(rows) - 1 for title, rows in messy.SHEETS.items()} | {"Fleet list": 3, "Stock": 2}
    titles = {sheet["name"]: sheet["title"] for sheet in run.preview["sheets"]}
    assert {name: sheet["added"] for name, sheet in applied(run).items()} == {
        name: expected[title] for name, title in titles.items()
    }
    assert {sheet["left"] for sheet in applied(run).values()} == {0}
    assert AuditEntry.objects.filter(action="reading.import").count() == Reading.objects.count() == 4


# --- whose rows ---


@pytest.fixture
def manager():
    read_and_bring_in(messy.build(only=BASIS))
    user = User.objects.create_user("nora")
    Membership.objects.create(user=user, role=Role.DEPOT_MANAGER, depot=Place.objects.get(code="NORD"))
    return user


def test_a_depot_manager_brings_in_what_belongs_to_the_own_depot_only(manager):
    rows = [("Unit", "Remarks"), ("MW-001", "mine"), ("MW-003", "not mine"), ("MW-002", None)]
    run = read(workbook(Units=rows), actor=manager)
    assert [(fault["row"], fault["key"]) for fault in run.faults] == [(3, "row.not_yours")]
    designs = read(workbook(Designs=[("Design", "Name"), ("WX-40", "renamed")]), actor=manager)
    assert [fault["key"] for fault in designs.faults] == ["row.not_yours"]
    unchanged = read(workbook(Designs=[("Design", "Name"), ("WX-40", None)]), actor=manager)
    assert unchanged.faults == []
    away = read(workbook(Units=[("Unit", "Depot"), ("MW-001", "SOUTH")]), actor=manager)
    assert [fault["key"] for fault in away.faults] == ["row.not_yours"]


def test_the_trail_says_who(manager):
    run = bring_in(
        read(workbook(Units=[("Unit", "Remarks"), ("MW-001", "mine")]), actor=manager), actor=manager
    )
    line = AuditEntry.objects.get(action="unit.import", note__startswith=f"import {run.pk},")
    assert (line.actor, line.unit.tag, line.before, line.after) == (
        manager,
        "MW-001",
        {"note": "first of its kind"},
        {"note": "mine"},
    )
    assert UnitStay.objects.filter(ended_at=None).count() == 3
