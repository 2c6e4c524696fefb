"""A certificate says its last day or that it has none: what nobody wrote is never 'valid for ever'."""

import datetime as dt

import pytest
import time_machine

from fleet.models import Certificate
from readiness.services.sweep import sweep_units
from tests.factories.fleet import NOW, TODAY, CertificateFactory, CertificateRuleFactory
from tests.fleet.services.imports.steps import bring_in, counts, read, read_and_bring_in, take_back, workbook
from tests.readiness.services.test_sweep import check_of, ready_unit

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
ISSUED = TODAY - dt.timedelta(days=100)


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def unit():
    unit = ready_unit()
    CertificateRuleFactory(design=unit.design)
    return unit


def papers(unit, until, no_end):
    rows = [
        ("Unit", "Type", "No", "Issued", "Valid until", "Has no end"),
        (unit.tag, "lifting_exam", "LX-1", ISSUED.isoformat(), until, no_end),
    ]
    return workbook(Certs=rows)


def outcome(unit):
    sweep_units(unit_ids=[unit.pk], as_of=TODAY, now=NOW)
    return check_of(unit, "certificate")


def test_a_certificate_with_the_no_end_tick_is_never_due(unit):
    read_and_bring_in(papers(unit, None, "yes"))
    assert Certificate.objects.get().expires_on is None
    check = outcome(unit)
    assert (check["outcome"], check.get("turns_on")) == ("pass", None)


@pytest.mark.parametrize("no_end", [None, "no"])
def test_without_end_and_tick_it_is_refused(unit, no_end):
    run = read(papers(unit, None, no_end))
    assert [(fault["key"], fault["column"]) for fault in run.faults] == [
        ("certificate.no_end_said", "Valid until")
    ]
    assert "Has no end" in run.faults[0]["mend"]
    bring_in(run, sheets={"certificates": "good"})
    assert not Certificate.objects.exists()
    assert outcome(unit)["outcome"] != "pass"


def test_a_file_without_the_two_columns_adds_no_certificate(unit):
    rows = [("Unit", "Type", "No", "Issued"), (unit.tag, "lifting_exam", "LX-1", ISSUED.isoformat())]
    assert [fault["key"] for fault in read(workbook(Certs=rows)).faults] == ["certificate.no_end_said"]


def test_an_end_and_no_end_cannot_both_be(unit):
    run = read(papers(unit, "2027-05-31", "yes"))
    assert [fault["key"] for fault in run.faults] == ["certificate.end_twice"]


def test_clear_alone_does_not_make_it_valid_for_ever(unit):
    CertificateFactory(unit=unit, kind="lifting_exam", number="LX-1", issued_on=ISSUED)
    assert [fault["key"] for fault in read(papers(unit, "clear", None)).faults] == ["certificate.no_end_said"]
    assert [fault["key"] for fault in read(papers(unit, "clear", "no")).faults] == ["certificate.no_end_said"]
    run = read(papers(unit, "clear", "yes"))
    assert counts(run)["certificates"] == (0, 1, 0, 0)
    bring_in(run)
    assert Certificate.objects.counting().get().expires_on is None
    take_back(run)
    assert Certificate.objects.counting().get().expires_on is not None


def test_what_is_on_file_stays_as_it_is(unit):
    there = CertificateFactory(unit=unit, kind="lifting_exam", number="LX-1", issued_on=ISSUED)
    assert counts(read(papers(unit, None, None)))["certificates"] == (0, 0, 1, 0)
    assert counts(read(papers(unit, None, "no")))["certificates"] == (0, 0, 1, 0)
    Certificate.objects.filter(pk=there.pk).update(expires_on=None)
    assert counts(read(papers(unit, None, None)))["certificates"] == (0, 0, 1, 0)
    assert counts(read(papers(unit, None, "yes")))["certificates"] == (0, 0, 1, 0)
    # 'No' against 'no end' on file: the day itself must be written.
    assert [fault["key"] for fault in read(papers(unit, None, "no")).faults] == ["certificate.no_end_said"]
