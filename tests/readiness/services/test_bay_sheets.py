"""How depots charge, as sheets: in, out again as no change, and each row that cannot be with its sentence."""

import datetime as dt

import pytest
import time_machine

from fleet.models import ImportRun
from fleet.services.imports.books import export_book
from readiness.models import BayTerms, ChargerBay, CrewDay, CrewHours, StoragePolicy, SupplyHours
from readiness.services.bay_sheets import SHEETS
from tests.factories.fleet import NOW, DepotFactory
from tests.factories.readiness import ChargerBayFactory
from tests.fleet.services.imports.steps import counts, read, read_and_bring_in, take_back, workbook

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

BAYS = ("Depot", "Bay", "From", "Current", "Voltage", "Power", "Programmes")
HOURS = ("Depot", "Weekday", "Comes", "Leaves", "From")


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def depot():
    return DepotFactory(code="NORD")


def everything() -> bytes:
    return workbook(
        Charger_bays=[BAYS, ("NORD", "B1", "2026-01-01", "62 A", "33 V", "2.5 kW", "vrla_gel; vrla_agm")],
        Charging_terms=[
            ("Depot", "From", "Drawn anyway", "Handlings an hour", "Unattended"),
            ("NORD", "2026-01-01", "1.5 kW", 4, "lithium iron phosphate"),
        ],
        Crew_hours=[
            HOURS,
            ("NORD", "Monday", "07:00", "12:00", "2026-01-01"),
            ("NORD", "mon", dt.time(13), "17.30", "2026-01-01"),
        ],
        Odd_days=[
            ("Depot", "Day", "Comes", "Leaves", "Why"),
            ("NORD", "2026-12-24", None, None, "eve"),
            ("NORD", "2026-12-31", "08:00", "11:00", "eve"),
        ],
        Supply_hours=[
            ("Depot", "Weekday", "Starts", "Ends", "Limit", "From"),
            ("NORD", "every day", "22:00", "24:00", "5 kW", "2026-01-01"),
            ("NORD", "Sunday", "22:00", "00:00", "4 kW", "2026-01-01"),
        ],
        Storage_policies=[
            ("Depot", "Chemistry", "Kept at", "From", "Why"),
            ("NORD", "lithium iron phosphate", "54 %", "2026-01-01", "to last"),
        ],
    )


def test_all_of_it_comes_in_as_it_is_meant(depot) -> None:
    read_and_bring_in(everything())
    bay, terms, policy = ChargerBay.objects.get(), BayTerms.objects.get(), StoragePolicy.objects.get()
    assert (bay.max_a, bay.max_v, bay.max_kw, bay.profiles) == (62, 33, 2.5, ["vrla_gel", "vrla_agm"])
    assert (terms.base_kw, terms.handlings_per_hour, terms.unattended) == (1.5, 4, ["lfp"])
    assert policy.store_soc == 0.54
    week = CrewHours.objects.order_by("opens").values_list("weekday", "opens", "closes")
    assert list(week) == [(0, dt.time(7), dt.time(12)), (0, dt.time(13), dt.time(17, 30))]
    assert list(CrewDay.objects.values_list("opens", flat=True).order_by("day")) == [None, dt.time(8)]
    night = SupplyHours.objects.order_by("limit_kw").values_list("weekday", "starts", "ends", "limit_kw")
    assert list(night) == [(6, dt.time(22), dt.time(0), 4.0), (None, dt.time(22), dt.time(0), 5.0)]


def test_what_goes_out_comes_in_as_no_change(depot) -> None:
    read_and_bring_in(everything())
    for sheet in SHEETS:
        run = read(export_book((sheet.name,)), name=f"{sheet.name}.xlsx")
        assert run.state == ImportRun.State.PREVIEW, (sheet.name, run.error, run.questions)
        assert run.faults == [], sheet.name
        added, changed, left, newer = counts(run)[sheet.name]
        assert (added, changed, newer) == (0, 0, 0), sheet.name
        assert left >= 1, sheet.name


def test_a_new_row_ends_what_held_before_and_an_undo_gives_it_back(depot) -> None:
    read_and_bring_in(everything())
    later = workbook(
        Charger_bays=[BAYS, ("NORD", "b1", "2026-03-01", "40 A", "33 V", None, "lfp")],
        Crew_hours=[HOURS, ("NORD", "Tuesday", "08:00", "16:00", "2026-03-01")],
    )
    run = read_and_bring_in(later)
    assert set(ChargerBay.objects.values_list("max_a", "valid_to")) == {
        (62, dt.date(2026, 2, 28)),
        (40, None),
    }
    assert CrewHours.objects.filter(valid_to=dt.date(2026, 2, 28)).count() == 2, (
        "the week before ends as a whole"
    )
    take_back(run)
    assert set(ChargerBay.objects.values_list("max_a", "valid_to")) == {(62, None)}
    assert CrewHours.objects.filter(valid_to=None).count() == CrewHours.objects.count() == 2


@pytest.mark.parametrize(
    ("sheets", "sentence"),
    [
        (
            {"Charger_bays": [BAYS, ("NORD", "B1", "2026-01-01", "0 A", "33 V", None, "lfp")]},
            "a current of 0 A charges nothing",
        ),
        (
            {"Charger_bays": [BAYS, ("NORD", "B1", "2026-01-01", "60 A", "33 V", None, "sodium")]},
            "'sodium' is no chemistry on file",
        ),
        (
            {"Crew_hours": [HOURS, ("NORD", "Monday", "12:00", "07:00", "2026-01-01")]},
            "the crew leaves at 07:00, before it comes at 12:00",
        ),
        (
            {"Crew_hours": [HOURS, ("NORD", "Monday", "early", "17:00", "2026-01-01")]},
            "'early' is no time of day",
        ),
        (
            {
                "Crew_hours": [
                    HOURS,
                    ("NORD", "Monday", "07:00", "12:00", "2026-01-01"),
                    ("NORD", "Monday", "11:00", "17:00", "2026-01-01"),
                ]
            },
            "07:00-12:00 and 11:00-17:00 overlap",
        ),
        (
            {"Odd_days": [("Depot", "Day", "Comes", "Why"), ("NORD", "2026-12-24", "08:00", "eve")]},
            "give both hours, or none",
        ),
        (
            {
                "Supply_hours": [
                    ("Depot", "Weekday", "Starts", "Ends", "Limit", "From"),
                    ("NORD", "every day", "22:00", "06:00", "5 kW", "2026-01-01"),
                ]
            },
            "The hours end at 06:00, before they start at 22:00",
        ),
        (
            {
                "Storage_policies": [
                    ("Depot", "Chemistry", "Kept at", "From", "Why"),
                    ("NORD", "gel (valve-regulated lead-acid)", "50 %", "2026-01-01", "to last"),
                ]
            },
            "is kept full: there is nothing to choose",
        ),
    ],
)
def test_a_row_that_cannot_be_is_refused_with_its_sentence(depot, sheets, sentence) -> None:
    run = read(workbook(**sheets))
    told = " ".join(str(fault) for fault in run.faults)
    assert sentence in told
    assert not any(
        model.objects.exists() for model in (ChargerBay, CrewHours, CrewDay, SupplyHours, StoragePolicy)
    )


def test_a_row_older_than_what_holds_is_refused(depot) -> None:
    ChargerBayFactory(place=depot, name="B1", valid_from=dt.date(2026, 5, 1))
    run = read(workbook(Charger_bays=[BAYS, ("NORD", "B1", "2026-01-01", "60 A", "33 V", None, "lfp")]))
    assert "must begin later" in str(run.faults)
