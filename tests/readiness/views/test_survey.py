"""First weeks: the walk, the paper with its codes, the sheet typed in whole or not at all, the workbook."""

import datetime as dt
import io
import re

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from fleet.models import Certificate, WetState
from readiness.models import Charge, Reading
from tests.factories.fleet import (
    NOW,
    TODAY,
    BankFactory,
    CertificateRuleFactory,
    DesignFactory,
    UnitFactory,
)
from tests.factories.readiness import InspectionTypeFactory, ReadingFactory

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def stated_day():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def unit(cast):
    design = DesignFactory()
    CertificateRuleFactory(design=design, kind="lifting_exam")
    InspectionTypeFactory(name="Pump run")
    unit = UnitFactory(tag="MW-1", home=cast.north, design=design, yard_place="Row 3")
    BankFactory(unit=unit, serial="B-1", standby_ma=None)
    return unit


def entry(cast):
    return f"{reverse('readiness:survey-entry')}?depot={cast.north.code}"


def names(client, cast):
    """The names of the inputs of the sheet, by fact."""
    page = client.get(entry(cast)).content.decode()
    return {
        match.group(1).split("-", 1)[1]: match.group(1)
        for match in re.finditer(r'name="(\d+-[a-z]+-[^"]*)"', page)
    }, re.search(r'name="token" value="([^"]+)"', page).group(1)


def test_the_walk_lists_what_is_missing_and_what_it_takes(client, cast, unit):
    client.force_login(cast.vera)
    page = client.get(reverse("readiness:first-weeks"), {"depot": cast.north.code}).content.decode()
    for words in (
        "MW-1",
        "Row 3",
        "Reading of bank B-1",
        "Certificate: lifting thorough examination",
        "Pump run",
    ):
        assert words in page
    assert "0 of 1 unit has every fact" in page
    assert "Type it in" not in page
    client.force_login(cast.nora)
    assert "Type it in" in client.get(reverse("readiness:first-weeks")).content.decode()


def test_several_depots_in_view_ask_which_one(client, cast):
    client.force_login(cast.dina)
    for name in ("first-weeks", "survey-sheet", "handover"):
        assert "Which depot?" in client.get(reverse(f"readiness:{name}")).content.decode()


def test_the_paper_has_a_code_that_opens_the_unit(client, cast, unit):
    client.force_login(cast.nora)
    page = client.get(reverse("readiness:survey-sheet"), {"depot": cast.north.code}).content.decode()
    drawing = re.search(r"<svg.*?</svg>", page.split('class="sheet__head"')[1], re.S).group()
    assert "MW-1" in drawing
    assert 'style="' not in drawing
    assert "at rest for" in page


def test_a_filled_sheet_is_saved_and_the_facts_leave_the_list(client, cast, unit):
    client.force_login(cast.nora)
    fields, token = names(client, cast)
    bank = next(key.split("-")[1] for key in fields if key.startswith("reading"))
    sent = {
        "token": token,
        "tag": "MW-1",
        "at": "",
        fields[f"reading-{bank}-value"]: "25,4",
        fields[f"reading-{bank}-temp_c"]: "50 °F",
        fields[f"reading-{bank}-rest_h"]: "3 days",
        fields[f"supply-{bank}-kind"]: "isolated",
        fields["wet--kind"]: "dry",
        fields["certificate-lifting_exam-number"]: "L-9",
        fields["certificate-lifting_exam-issued_on"]: f"{TODAY:%Y-%m-%d}",
        fields["certificate-lifting_exam-expires_on"]: f"{TODAY + dt.timedelta(days=180):%Y-%m-%d}",
        fields[f"charge-{bank}-ended_on"]: f"{TODAY - dt.timedelta(days=100):%Y-%m-%d}",
        fields[f"charge-{bank}-hours"]: "14",
        fields[f"charge-{bank}-end_sign"]: "current_steady",
    }
    answer = client.post(entry(cast), sent, follow=True)
    assert answer.status_code == 200, answer.content.decode()
    reading = Reading.objects.get()
    assert (reading.volts_v, round(reading.temp_c, 3), reading.rest_h) == (25.4, 10.0, 72.0)
    assert reading.recorded_by == cast.nora
    assert (Certificate.objects.get().number, WetState.objects.get().kind) == ("L-9", "dry")
    assert Charge.objects.get().ended_at.date() == TODAY - dt.timedelta(days=100)
    page = answer.content.decode()
    assert "5 facts are on file" in page
    assert "Reading of bank" not in page
    assert "Pump run" in page


def test_one_wrong_line_keeps_the_whole_sheet_back(client, cast, unit):
    client.force_login(cast.nora)
    fields, token = names(client, cast)
    bank = next(key.split("-")[1] for key in fields if key.startswith("reading"))
    sent = {
        "token": token,
        "tag": "MW-1",
        "at": "",
        fields[f"reading-{bank}-value"]: "240",
        fields["wet--kind"]: "dry",
    }
    answer = client.post(entry(cast), sent)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Nothing was saved: what is marked below cannot be right" in page
    assert "240 V cannot be the voltage of bank B-1" in page
    assert Reading.objects.count() == WetState.objects.count() == 0


def test_a_half_filled_line_is_asked_about_and_an_empty_sheet_saves_nothing(client, cast, unit):
    client.force_login(cast.nora)
    fields, token = names(client, cast)
    half = {"token": token, "tag": "MW-1", "at": "", fields["certificate-lifting_exam-number"]: "L-9"}
    assert "This is missing." in client.post(entry(cast), half).content.decode()
    empty = client.post(entry(cast), {"token": token, "tag": "MW-1", "at": ""})
    assert "Nothing was filled in" in empty.content.decode()
    assert Certificate.objects.count() == 0


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({}, "Say through which day it is valid, or tick that it has no end."),
        ({"expires_on": 180, "no_end": "on"}, "A last day and no end cannot both be."),
        ({"expires_on": -1}, "This lies before the day it was issued."),
    ],
)
def test_a_certificate_never_lasts_for_ever_because_a_day_was_left_out(client, cast, unit, given, sentence):
    client.force_login(cast.nora)
    _fields, token = names(client, cast)
    line = f"{unit.pk}-certificate-lifting_exam-"
    sent = {"token": token, "tag": "MW-1", "at": "", f"{line}issued_on": f"{TODAY:%Y-%m-%d}"}
    for name, value in given.items():
        typed = value if isinstance(value, str) else f"{TODAY + dt.timedelta(days=value):%Y-%m-%d}"
        sent[f"{line}{name}"] = typed
    answer = client.post(entry(cast), sent)
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert Certificate.objects.count() == 0


def test_a_certificate_without_an_end_is_ticked(client, cast, unit):
    client.force_login(cast.nora)
    _fields, token = names(client, cast)
    line = f"{unit.pk}-certificate-lifting_exam-"
    sent = {"token": token, "tag": "MW-1", "at": "", f"{line}issued_on": f"{TODAY:%Y-%m-%d}"}
    answer = client.post(entry(cast), {**sent, f"{line}no_end": "on"}, follow=True)
    assert "1 fact is on file" in answer.content.decode()
    assert Certificate.objects.get().expires_on is None


def test_a_fact_recorded_meanwhile_is_not_written_twice(client, cast, unit):
    client.force_login(cast.nora)
    fields, token = names(client, cast)
    sent = {"token": token, "tag": "MW-1", "at": "", fields["wet--kind"]: "dry"}
    for _ in range(2):
        last = client.post(entry(cast), sent, follow=True)
    assert WetState.objects.count() == 1
    assert "somebody recorded that fact in the meantime" in last.content.decode()


def test_a_reading_of_no_use_is_kept_and_said(client, cast, unit):
    client.force_login(cast.nora)
    fields, token = names(client, cast)
    bank = next(key.split("-")[1] for key in fields if key.startswith("reading"))
    sent = {
        "token": token,
        "tag": "MW-1",
        "at": "",
        fields[f"reading-{bank}-value"]: "25.4",
        fields[f"reading-{bank}-rest_h"]: "2",
    }
    assert "needs 24 h rest" in client.post(entry(cast), sent, follow=True).content.decode()
    assert Reading.objects.count() == 1


def test_only_who_keeps_this_depot_may_type_in(client, cast, unit):
    for user in (cast.silas, cast.vera, cast.dina, cast.percy):
        client.force_login(user)
        assert client.get(entry(cast)).status_code == 403
        assert client.post(entry(cast), {"tag": "MW-1"}).status_code == 403


def test_the_workbook_is_in_the_form_of_the_import(client, cast, unit):
    client.force_login(cast.nora)
    answer = client.get(reverse("readiness:first-weeks"), {"depot": cast.north.code, "format": "xlsx"})
    book = load_workbook(io.BytesIO(answer.content))
    assert {"readings", "certificates", "wet_states", "supply_states", "charges", "inspections"} == set(
        book.sheetnames
    )
    header, row = list(book["readings"].iter_rows(values_only=True))
    assert dict(zip(header, row, strict=True))["Bank"] == "B-1"
    header, row = list(book["inspections"].iter_rows(values_only=True))
    assert "MW-1" in row
    assert "Pump run" in row


def test_the_pages_cost_the_same_at_two_sizes(client, cast):
    client.force_login(cast.nora)
    design = DesignFactory()
    CertificateRuleFactory(design=design)

    def cost():
        found = []
        for name in ("first-weeks", "survey-sheet", "survey-entry", "handover"):
            with CaptureQueriesContext(connection) as context:
                assert client.get(reverse(f"readiness:{name}")).status_code == 200
            found.append(len(context))
        return found

    sizes = []
    for size in (2, 6):
        for _ in range(size):
            bank = BankFactory(unit=UnitFactory(home=cast.north, design=design))
            ReadingFactory(bank=bank, happened_at=NOW, rest_h=1)
        cost()
        sizes.append(cost())
    assert sizes[0] == sizes[1]
