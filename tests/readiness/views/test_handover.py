"""Hand-over: what runs, began, was left, broke, was mended, was promised and moved, between two times."""

import datetime as dt
from decimal import Decimal

import pytest
import time_machine
from django.urls import reverse

from fleet.services.corrections import record_strike
from fleet.services.units import absence_start
from inventory.models import Item, Lot, Movement
from readiness.models import Task
from readiness.selectors.handover import MOST, Part, handover_of
from readiness.services.upkeep import charge_start, fault_close, reading_record, task_add
from tests.factories.fleet import NOW, BankFactory, DepotFactory, UnitFactory, UserFactory, ago
from tests.factories.inventory import in_store
from tests.factories.readiness import (
    AlertFactory,
    ChargeFactory,
    FaultFactory,
    InspectionFactory,
    OpenChargeFactory,
    ReadingFactory,
    TaskFactory,
)

pytestmark = pytest.mark.django_db

SINCE, UNTIL = ago(hours=12), NOW


@pytest.fixture
def depot():
    return DepotFactory(name="North depot")


def found(depot, since=SINCE, until=UNTIL):
    return handover_of(depot, since=since, until=until)


def bank_of(depot, **changes):
    return BankFactory(unit=UnitFactory(home=depot), **changes)


def test_a_charge_is_running_left_begun_or_ended(depot):
    running = OpenChargeFactory(bank=bank_of(depot), happened_at=ago(hours=3), planned_end_at=ago(hours=-8))
    left = OpenChargeFactory(bank=bank_of(depot), happened_at=ago(hours=30), planned_end_at=ago(hours=16))
    forgotten = OpenChargeFactory(bank=bank_of(depot), happened_at=ago(hours=37), planned_end_at=None)
    ended = ChargeFactory(bank=bank_of(depot), happened_at=ago(hours=20), ended_at=ago(hours=2))
    ChargeFactory(bank=bank_of(depot), happened_at=ago(hours=40), ended_at=ago(hours=20))
    OpenChargeFactory(bank=bank_of(DepotFactory()))
    shift = found(depot)
    assert shift.on_charge.rows == [running]
    assert shift.left_open.rows == [forgotten, left]
    assert running in shift.begun.rows
    assert left not in shift.begun.rows
    assert ended in shift.ended.rows
    assert shift.where[running.bank_id] == running.bank.stays.get().unit


def test_an_earlier_shift_shows_how_it_stood_then(depot):
    charge = ChargeFactory(bank=bank_of(depot), happened_at=ago(hours=40), ended_at=ago(hours=20))
    then = found(depot, since=ago(hours=44), until=ago(hours=32))
    assert (then.on_charge.rows, then.begun.rows, then.ended.rows) == ([charge], [charge], [])


@pytest.mark.parametrize(("hours_ago", "inside"), [(12, True), (12.01, False), (0.01, True), (0, False)])
def test_the_start_is_part_of_it_the_end_is_not(depot, hours_ago, inside):
    FaultFactory(
        unit=UnitFactory(home=depot), happened_at=ago(hours=hours_ago), recorded_at=ago(hours=hours_ago)
    )
    assert found(depot).faults.total == (1 if inside else 0)


def test_what_was_written_down_late_is_handed_over_too(depot):
    with time_machine.travel(NOW, tick=False):
        reading = reading_record(
            bank=bank_of(depot),
            happened_at=ago(3),
            volts_v=25.0,
            temp_c=9,
            rest_h=30,
            actor=None,
            now=ago(hours=1),
        )
    ReadingFactory(bank=bank_of(depot), happened_at=ago(3), recorded_at=ago(3))
    assert found(depot).readings.rows == [reading]


def test_struck_records_are_not_handed_over_but_the_strike_is(depot):
    reading = ReadingFactory(bank=bank_of(depot), happened_at=ago(hours=2))
    with time_machine.travel(ago(hours=1), tick=False):
        record_strike(record=reading, reason="other bank", actor=None)
    shift = found(depot)
    assert (shift.readings.total, shift.put_right.rows[0].note) == (0, "other bank")


def test_the_page_tells_the_shift(client, cast):
    client.force_login(cast.nora)
    unit = UnitFactory(tag="MW-1", home=cast.north)
    bank = BankFactory(unit=unit, serial="B-1")
    with time_machine.travel(ago(hours=1), tick=False):
        charge_start(
            bank=bank, happened_at=ago(hours=2), planned_end_at=ago(hours=-9), bay="3", actor=cast.nora
        )
        mended = FaultFactory(unit=unit, description="Hose split", happened_at=ago(5), recorded_at=ago(5))
        fault_close(fault=mended, closed_at=ago(hours=2), actor=cast.nora, note="new hose")
        FaultFactory(unit=unit, description="Gauge cracked", happened_at=ago(hours=3), recorded_by=cast.nora)
        task_add(unit=unit, title="Paint the frame", actor=cast.nora, taken_by=cast.nora)
        AlertFactory(
            unit=unit, rule="kit_short", raised_at=ago(hours=4), taken_by=cast.nora, taken_at=ago(hours=3)
        )
        gone = UnitFactory(tag="MW-2", home=cast.north)
        absence_start(
            unit=gone, purpose="loan", custodian="Coast county", started_at=ago(hours=5), actor=cast.nora
        )
        lot = Lot.objects.create(item=Item.objects.create(code="LAMP", name="UV lamp"), code="L-1")
        Movement.objects.create(
            kind="receipt",
            lot=lot,
            qty=Decimal(2),
            to_place=cast.north,
            happened_at=ago(hours=1),
            recorded_by=cast.nora,
        )
    with time_machine.travel(NOW, tick=False):
        page = client.get(reverse("readiness:handover"))
    text = page.content.decode()
    assert page.status_code == 200
    for words in (
        "B-1",
        "Hose split",
        "new hose",
        "Gauge cracked",
        "Paint the frame",
        "Coast county",
        "UV lamp",
        "Kit short",
        "Nora Lind",
    ):
        assert words in text, words


@pytest.mark.parametrize(
    ("since", "until", "words"),
    [
        ("2026-01-02T12:00", "2026-01-02T06:00", "before the start"),
        ("2026-01-02T12:00", "2026-03-02T06:00", "At most 31 days"),
        ("yesterday-ish", "2026-03-02T06:00", "yesterday-ish"),
    ],
)
def test_times_that_make_no_sense_are_said(client, cast, since, until, words):
    client.force_login(cast.nora)
    answer = client.get(reverse("readiness:handover"), {"since": since, "until": until})
    assert answer.status_code == 422
    assert words in answer.content.decode()


def test_times_are_typed_in_the_zone_of_the_depot(client, cast):
    client.force_login(cast.silas)
    unit = UnitFactory(home=cast.south)
    FaultFactory(
        unit=unit,
        description="Latch bent",
        happened_at=dt.datetime(2026, 1, 2, 13, 30, tzinfo=dt.UTC),
        recorded_at=dt.datetime(2026, 1, 2, 13, 30, tzinfo=dt.UTC),
    )
    url = reverse("readiness:handover")
    at_half_past_six = {"since": "2026-01-02T06:00", "until": "2026-01-02T07:00"}
    assert "Latch bent" in client.get(url, at_half_past_six).content.decode()
    assert (
        "A quiet shift"
        in client.get(url, {"since": "2026-01-02T13:00", "until": "2026-01-02T14:00"}).content.decode()
    )


def test_a_long_list_is_cut_and_says_so(depot):
    bank = bank_of(depot)
    for minute in range(MOST + 3):
        ReadingFactory(bank=bank, happened_at=ago(hours=2) + dt.timedelta(minutes=minute / 2))
    readings = found(depot).readings
    assert (len(readings.rows), readings.total, readings.more) == (MOST, MOST + 3, 3)


def test_a_busy_shift_costs_no_more_queries_than_a_quiet_one(cast, signed_in, queries_of):
    """Every heading filled, twice and then ten times."""
    client = signed_in(cast.nora)

    def shift(count: int) -> None:
        for _ in range(count):
            unit = UnitFactory(home=cast.north)
            by = UserFactory()
            first, second, third, fourth = (BankFactory(unit=unit, position=f"{n}") for n in range(4))
            OpenChargeFactory(bank=first, happened_at=ago(hours=3), recorded_by=by)
            OpenChargeFactory(
                bank=second, happened_at=ago(hours=30), planned_end_at=ago(hours=16), recorded_by=by
            )
            ChargeFactory(bank=third, happened_at=ago(hours=20), ended_at=ago(hours=2), recorded_by=by)
            ReadingFactory(bank=fourth, happened_at=ago(hours=5), recorded_by=by)
            struck = ReadingFactory(bank=fourth, happened_at=ago(hours=6), recorded_by=by)
            FaultFactory(unit=unit, happened_at=ago(hours=4), recorded_by=by)
            FaultFactory(unit=unit, happened_at=ago(9), closed_at=ago(hours=4), closed_by=by)
            InspectionFactory(unit=unit, happened_at=ago(hours=4), recorded_by=by)
            TaskFactory(unit=unit, created_by=by, taken_by=by)
            AlertFactory(unit=unit, raised_at=ago(hours=4), taken_by=by, taken_at=ago(hours=3))
            AlertFactory(unit=unit, rule="kit_short", raised_at=ago(4), cleared_at=ago(hours=3))
            in_store(2, place=cast.north, at=ago(hours=2))
            with time_machine.travel(ago(hours=1), tick=False):
                record_strike(record=struck, reason="other bank", actor=by)
                absence_start(
                    unit=UnitFactory(home=cast.north),
                    purpose="loan",
                    custodian="Coast county",
                    started_at=ago(hours=5),
                    actor=by,
                )
        Task.objects.update(created_at=ago(hours=8))

    shift(2)
    few = queries_of(client, reverse("readiness:handover"))
    shown = handover_of(cast.north, since=SINCE, until=UNTIL)
    empty = [name for name, part in vars(shown).items() if isinstance(part, Part) and not part.total]
    assert empty == []
    shift(8)
    assert queries_of(client, reverse("readiness:handover")) == few
