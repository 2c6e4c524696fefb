"""Charges: one open at a time, ended once, believable."""

import datetime as dt
import uuid

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry
from readiness.models import Charge
from readiness.services.upkeep import charge_record, charge_start, charge_stop
from tests.factories.fleet import NOW, BankFactory, UnitFactory, ago

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture
def bank():
    return BankFactory(unit=UnitFactory(), charger_a=30.0)


def start(bank, **changes):
    return charge_start(bank=bank, **({"happened_at": ago(hours=14), "actor": None, "now": NOW} | changes))


def whole(bank, **changes):
    values = {
        "happened_at": ago(hours=14),
        "ended_at": ago(hours=1),
        "end_sign": "current_steady",
        "actor": None,
        "now": NOW,
    }
    return charge_record(bank=bank, **(values | changes))


def test_a_charge_begins_and_ends(bank):
    charge = start(bank, bay="3")
    ended = charge_stop(
        charge=charge, ended_at=ago(hours=1), end_sign="current_steady", ah_in=80.0, actor=None, now=NOW
    )
    assert (ended.pk, ended.bay, ended.ah_in, ended.end_sign) == (charge.pk, "3", 80.0, "current_steady")
    stopped = AuditEntry.objects.get(action="charge.stop")
    assert "ended_at" not in stopped.before
    assert stopped.after["ah_in"] == 80.0


def test_a_double_tap_starts_one_and_stops_one(bank):
    token = uuid.uuid4()
    assert start(bank, token=token).pk == start(bank, token=token).pk
    charge = Charge.objects.get()
    for seconds in (0, 3):
        charge_stop(charge=charge, ended_at=ago(hours=1) + dt.timedelta(seconds=seconds), actor=None, now=NOW)
    assert Charge.objects.get().ended_at == ago(hours=1)
    assert AuditEntry.objects.filter(action="charge.stop").count() == 1
    with pytest.raises(DomainError, match=r"ended on .* already"):
        charge_stop(charge=charge, ended_at=ago(hours=3), actor=None, now=NOW)


def test_a_charge_planned_over_more_than_a_month_is_refused(bank):
    with pytest.raises(DomainError, match="planned over 40 days is longer than a month") as refused:
        start(bank, happened_at=ago(1), planned_end_at=ago(-39))
    assert refused.value.key == "charge.plan_too_long"
    assert Charge.objects.count() == 0


def test_a_second_open_charge_is_refused(bank):
    start(bank)
    with pytest.raises(DomainError, match="on charge already, since"):
        start(bank, happened_at=ago(hours=1))


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"ended_at": ago(hours=15)}, "charge.ends_before_start"),
        ({"happened_at": ago(40), "ended_at": ago(8)}, "charge.too_long"),
        ({"ended_at": NOW + dt.timedelta(hours=1)}, "record.in_future"),
        ({"ah_in": 600.0}, "charge.more_than_charger"),
        ({"ah_in": -1.0}, "record.field"),
        ({"to_soc": 1.5}, "record.refused"),
        ({"to_soc": 0.85}, "charge.only_lithium_in_part"),
        ({"to_soc": 0.99, "end_sign": "charger_full"}, "charge.only_lithium_in_part"),
        ({"end_sign": "smoke"}, "record.field"),
    ],
)
def test_a_charge_that_cannot_have_been_is_refused(bank, changes, key):
    with pytest.raises(DomainError) as refused:
        whole(bank, **changes)
    assert refused.value.key == key
    assert Charge.objects.count() == 0


def test_lithium_may_be_put_away_at_less_than_full_and_gel_only_full():
    lithium = BankFactory(unit=UnitFactory(), chemistry="lfp", cells_in_series=8)
    assert whole(lithium, to_soc=0.6, end_sign="bms_full").to_soc == 0.6
    gel = BankFactory(unit=UnitFactory())
    assert whole(gel, to_soc=1.0, end_sign="charger_full").to_soc == 1.0


def test_a_running_charge_of_gel_is_not_ended_at_less_than_full(bank):
    charge = start(bank)
    with pytest.raises(DomainError, match="only when it is full"):
        charge_stop(charge=charge, ended_at=NOW, actor=None, to_soc=0.85, end_sign="charger_full", now=NOW)
    charge.refresh_from_db()
    assert charge.ended_at is None


def test_a_charge_of_a_month_is_still_one(bank):
    assert whole(bank, happened_at=ago(32), ended_at=ago(1)).pk


def test_two_charges_of_one_bank_do_not_overlap(bank):
    whole(bank)
    with pytest.raises(DomainError, match="is on file for that time"):
        whole(bank, happened_at=ago(hours=5), ended_at=ago(hours=0.5))
    assert whole(bank, happened_at=ago(hours=1), ended_at=ago(hours=0.5)).pk


def test_the_plan_does_not_end_before_the_start(bank):
    with pytest.raises(DomainError, match="planned end lies before"):
        start(bank, planned_end_at=ago(hours=20))
