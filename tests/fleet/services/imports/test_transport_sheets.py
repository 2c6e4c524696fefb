"""What banks are to the rules of transport, and the owner's terms, by sheet."""

import datetime as dt

import pytest
import time_machine

from fleet.models import BankTransport, Membership, TransportTerms
from fleet.models.office import Role
from fleet.services.imports.kinds import kind_named
from fleet.services.transport import bank_transport_save
from tests.factories.fleet import NOW, BankFactory, DepotFactory, UnitFactory, UserFactory
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


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def bank():
    unit = UnitFactory(tag="MW-1", home=DepotFactory(code="NORD"))
    return BankFactory(unit=unit, serial="BK-1")


def faults(run):
    return [(fault["row"], fault["column"], fault["key"]) for fault in run.faults]


HEADER = ("Bank", "It travels", "Installed in", "UN 38.3", "Energy", "Marked NON-SPILLABLE", "Spare sets")


def banks(*rows, header=HEADER):
    return workbook(Banks_in_transport=[header, *rows])


def test_what_a_bank_is_comes_in_is_put_right_and_goes_again(bank):
    row = ("BK-1", "installed", "equipment", "passed", "4.8 kWh", "yes", None)
    run = read_and_bring_in(banks(row))
    facts = BankTransport.objects.get()
    assert (facts.bank, facts.config, facts.host, facts.un383) == (bank, "installed", "equipment", "pass")
    assert (facts.declared_wh, facts.marked_nonspillable, facts.spare_sets) == (4800.0, True, None)
    assert counts(read(banks(row)))["bank_transport"] == (0, 0, 1, 0)
    # By the unit it sits in it is the same bank; what is not known any more is emptied.
    changed = read_and_bring_in(banks(("MW-1", None, "clear", None, None, "clear", 1)))
    facts.refresh_from_db()
    assert (facts.config, facts.host, facts.marked_nonspillable, facts.spare_sets) == (
        "installed",
        "",
        None,
        1,
    )
    assert facts.version == 2
    take_back(changed)
    take_back(run)
    assert not BankTransport.objects.exists()


def test_what_was_said_here_since_the_file_is_kept_unless_ticked(bank):
    facts = bank_transport_save(bank=bank, values={"config": "installed"}, actor=None)
    old = {"file_as_of": (NOW - dt.timedelta(days=5)).isoformat()}
    run = read(banks(("BK-1", "alone", None, None, None, None, None)), **old)
    assert counts(run)["bank_transport"] == (0, 0, 1, 1)
    bring_in(run)
    facts.refresh_from_db()
    assert facts.config == "installed"


@pytest.mark.parametrize(
    ("cells", "found"),
    [
        ({"Bank": "BK-9"}, ("Bank", "reference.unknown")),
        ({"It travels": "flying"}, ("It travels", "cell.not_a_choice")),
        ({"Energy": 0}, ("Energy", "cell.out_of_bounds")),
        ({"Energy": "-4800 Wh"}, ("Energy", "cell.out_of_bounds")),
        ({"Energy": "4800 kg"}, ("Energy", "quantity.wrong_dimension")),
        ({"Marked NON-SPILLABLE": "perhaps"}, ("Marked NON-SPILLABLE", "cell.not_yes_no")),
        ({"Spare sets": -1}, ("Spare sets", "cell.out_of_bounds")),
    ],
)
def test_what_a_bank_cannot_be_is_refused(bank, cells, found):
    run = read(banks(tuple(({"Bank": "BK-1", "It travels": "alone"} | cells).get(name) for name in HEADER)))
    assert faults(run) == [(2, *found)]
    assert run.faults[0]["mend"]
    assert applied(bring_in(run))["bank_transport"]["refused"]
    assert not BankTransport.objects.exists()


def test_a_bank_belongs_to_the_depot_it_is_in_and_its_unit_is_judged_again(bank):
    stranger = UserFactory()
    Membership.objects.create(user=stranger, role=Role.DEPOT_MANAGER, depot=DepotFactory(code="SOUTH"))
    run = read(banks(("BK-1", "alone", None, None, None, None, None)), actor=stranger)
    assert [fault["key"] for fault in run.faults] == ["row.not_yours"]
    read_and_bring_in(banks(("BK-1", "alone", None, None, None, None, None)))
    pks = [BankTransport.objects.get().pk]
    assert kind_named("bank_transport").unit_ids(pks) == {bank.stays.get().unit_id}


TERMS = ("From", "Until", "Days that the list of goods counts", "Ramp aircraft: free across", "Slings")


def terms(
    *rows, header=("From", "Until", "Days that the list of goods counts", "Ramp aircraft: free across")
):
    return workbook(Transport_terms=[header, *rows])


def test_terms_come_in_with_usual_values_for_what_is_left_out(bank):
    row = ("2026-06-01", None, 90, "12 in")
    run = read_and_bring_in(terms(row))
    mine = TransportTerms.objects.get()
    assert (mine.list_days, mine.ramp_w_mm, mine.terminals_days, mine.rigging_kg) == (90, 304.8, 30, 150.0)
    assert counts(read(terms(row)))["transport_terms"] == (0, 0, 1, 0)
    changed = read_and_bring_in(terms((*row[:2], 60, None)))
    mine.refresh_from_db()
    assert (mine.list_days, mine.ramp_w_mm) == (60, 304.8)
    take_back(changed)
    take_back(run)
    assert not TransportTerms.objects.exists()


@pytest.mark.parametrize(
    ("row", "found"),
    [
        (("2026-06-01", "2026-05-01", 90, 300), ("Until", "span.order")),
        (("2026-06-01", None, -1, 300), ("Days that the list of goods counts", "cell.out_of_bounds")),
        (("2026-06-01", None, 90, -300), ("Ramp aircraft: free across", "cell.out_of_bounds")),
        (("2026-06-01", None, "clear", 300), ("Days that the list of goods counts", "cell.cannot_clear")),
    ],
)
def test_terms_that_cannot_be_are_refused(row, found):
    run = read(terms(row))
    assert faults(run) == [(2, *found)]
    assert run.faults[0]["mend"]


def test_terms_belong_to_the_whole_pool(bank):
    manager = UserFactory()
    Membership.objects.create(user=manager, role=Role.DEPOT_MANAGER, depot=bank.stays.get().unit.home)
    run = read(terms(("2026-06-01", None, 90, 300)), actor=manager)
    assert [fault["key"] for fault in run.faults] == ["row.not_yours"]
