"""Readings, tests, supply: written once, refused when impossible, kept when merely of no use."""

import datetime as dt
import uuid

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry
from fleet.services.changes import _listeners
from fleet.services.units import unit_move
from readiness.models import Reading
from readiness.selectors.reading_doubts import reading_doubts
from readiness.services.upkeep import bank_test_record, reading_record, supply_state_record
from tests.factories.fleet import FIRST_DAY, NOW, BankFactory, DepotFactory, UnitFactory, UserFactory, ago
from tests.factories.readiness import ChargeFactory, OpenChargeFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


@pytest.fixture
def told(monkeypatch):
    """What the listeners were told about, one set a commit."""
    heard = []
    monkeypatch.setattr("fleet.services.changes._listeners", [heard.append])
    assert _listeners is not None
    return heard


@pytest.fixture
def bank():
    return BankFactory(unit=UnitFactory(tag="MW-001"))


def record(bank, **changes):
    values = {
        "happened_at": ago(1),
        "actor": None,
        "volts_v": 25.4,
        "temp_c": 12.0,
        "rest_h": 30.0,
        "now": NOW,
    }
    return reading_record(bank=bank, **(values | changes))


def test_a_reading_is_kept_audited_and_told(bank, told, django_capture_on_commit_callbacks):
    actor = UserFactory()
    with django_capture_on_commit_callbacks(execute=True):
        reading = record(bank, actor=actor)
    assert (reading.recorded_at, reading.recorded_by) == (NOW, actor)
    entry = AuditEntry.objects.get(action="reading.record")
    assert (entry.actor, entry.unit.tag, entry.after["volts_v"]) == (actor, "MW-001", 25.4)
    assert told == [frozenset({entry.unit_id})]


def test_a_double_tap_is_one_reading(bank):
    token = uuid.uuid4()
    first, second = record(bank, token=token), record(bank, token=token, volts_v=25.9)
    assert (second.pk, second.volts_v) == (first.pk, 25.4)
    assert (Reading.objects.count(), AuditEntry.objects.count()) == (1, 1)


@pytest.mark.parametrize(
    ("changes", "key", "words"),
    [
        ({"volts_v": 240.0}, "reading.voltage_impossible", "240 V cannot be the voltage of bank"),
        ({"volts_v": 11.9}, "reading.voltage_impossible", "between 12 and 27.6 V"),
        ({"volts_v": None}, "reading.no_voltage", "Type the voltage"),
        ({"volts_v": float("nan")}, "record.not_a_number", "not a number"),
        ({"rest_h": -1.0}, "reading.rest_negative", "cannot be less than 0"),
        ({"temp_c": 77.0}, "reading.temperature_impossible", "Was it typed in °F?"),
        ({"happened_at": NOW + dt.timedelta(hours=1)}, "record.in_future", "has not come yet"),
        ({"lowest_block_v": 26.0}, "reading.block_impossible", "cannot show more than the whole bank"),
        ({"kind": "gravity", "gravity_sg": 1.25}, "reading.no_gravity_here", "sealed"),
        ({"kind": "meter", "meter_soc": 1.2}, "reading.meter_out_of_range", "between 0 and 100 %"),
        ({"kind": "smell"}, None, ""),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(bank, changes, key, words):
    with pytest.raises(DomainError) as refused:
        record(bank, **changes)
    assert key is None or refused.value.key == key
    assert words in refused.value.sentence
    assert "{" not in refused.value.sentence
    assert (Reading.objects.count(), AuditEntry.objects.count()) == (0, 0)


@pytest.mark.parametrize(("volts_v", "allowed"), [(12.0, True), (27.6, True), (11.99, False), (27.61, False)])
def test_the_bounds_of_a_lead_bank_are_part_of_it(bank, volts_v, allowed):
    if allowed:
        assert record(bank, volts_v=volts_v).pk
    else:
        with pytest.raises(DomainError):
            record(bank, volts_v=volts_v)


def test_nothing_is_read_before_the_bank_was_made(bank):
    the_day_before = dt.datetime.combine(FIRST_DAY, dt.time(0), tzinfo=dt.UTC) - dt.timedelta(minutes=1)
    with pytest.raises(DomainError) as refused:
        record(bank, happened_at=the_day_before)
    assert refused.value.key == "record.before_birth"
    assert record(bank, happened_at=the_day_before + dt.timedelta(minutes=1)).pk


def test_nor_before_its_unit_existed_when_the_bank_does_not_say():
    bank = BankFactory(unit=UnitFactory(), made_on=None)
    with pytest.raises(DomainError, match="exists since"):
        record(bank, happened_at=ago(800))


def test_two_readings_at_one_moment_are_a_slip(bank):
    record(bank)
    with pytest.raises(DomainError, match="Correct that one instead"):
        record(bank, volts_v=25.0)


def test_flooded_cells_have_a_gravity():
    bank = BankFactory(chemistry="flooded_sb")
    assert record(bank, kind="gravity", volts_v=None, gravity_sg=1.245).gravity_sg == 1.245
    with pytest.raises(DomainError, match=r"between 1\.000 and 1\.320"):
        record(bank, kind="gravity", volts_v=None, gravity_sg=1245.0, happened_at=ago(2))


@pytest.mark.parametrize(
    ("chemistry", "cells", "changes", "keys"),
    [
        ("vrla_gel", 12, {}, []),
        ("vrla_gel", 12, {"rest_h": 24.0}, []),
        ("vrla_gel", 12, {"rest_h": 23.9}, ["reading.not_rested"]),
        ("vrla_gel", 12, {"rest_h": None}, ["reading.not_rested"]),
        ("vrla_gel", 12, {"temp_c": None}, ["reading.no_temperature"]),
        ("vrla_gel", 12, {"volts_v": 26.6}, ["reading.surface_charge"]),
        ("vrla_gel", 12, {"volts_v": 22.0}, ["reading.deep_discharge"]),
        ("lfp", 8, {"volts_v": 26.5}, ["reading.plateau"]),
        ("nimh", 20, {"volts_v": 26.0}, ["reading.ocv_not_usable"]),
    ],
)
def test_a_reading_of_no_use_is_kept_and_says_so(chemistry, cells, changes, keys):
    bank = BankFactory(chemistry=chemistry, cells_in_series=cells)
    connect(bank, "isolated", 100)
    reading = record(bank, **changes)
    doubts = reading_doubts(reading)
    assert [doubt.key for doubt in doubts] == keys
    if keys == ["reading.not_rested"]:
        assert "needs 24 h rest" in doubts[0].sentence


def connect(bank, kind, days):
    return supply_state_record(
        bank=bank,
        kind=kind,
        happened_at=ago(days),
        check_interval_days=30 if kind == "float" else None,
        actor=None,
        now=NOW,
    )


@pytest.mark.parametrize(
    ("supplies", "key", "word"),
    [
        ([("float", 40)], "reading.not_rested", "Isolate the bank, record that, let it rest 24 h"),
        ([("own_array", 40)], "reading.not_rested", "own array by its record"),
        ([("float", 40), ("isolated", 1.5)], "reading.not_rested", "only 12.0 h before"),
        ([("float", 40), ("isolated", 2)], None, ""),
        ([("standby", 40)], "reading.loads_on", "wider band of doubt"),
        ([], "reading.loads_on", "not on file"),
    ],
)
def test_a_voltage_read_on_a_supply_says_what_to_do(bank, supplies, key, word):
    for kind, days in supplies:
        connect(bank, kind, days)
    doubts = reading_doubts(record(bank, happened_at=ago(1)))
    assert [doubt.key for doubt in doubts] == ([key] if key else [])
    assert word in "".join(doubt.sentence for doubt in doubts)


def test_a_voltage_read_soon_after_a_charge_says_so(bank):
    connect(bank, "isolated", 40)
    ChargeFactory(bank=bank, happened_at=ago(2), ended_at=ago(1.25))
    assert [doubt.key for doubt in reading_doubts(record(bank, happened_at=ago(1)))] == ["reading.not_rested"]


@pytest.mark.parametrize(
    ("began", "ended", "said"), [(2, None, True), (2, 0.5, True), (1, 0.5, False), (4, 3, False)]
)
def test_a_voltage_read_while_the_bank_is_charged_says_so(bank, began, ended, said):
    connect(bank, "isolated", 40)
    if ended is None:
        OpenChargeFactory(bank=bank, happened_at=ago(began))
    else:
        ChargeFactory(bank=bank, happened_at=ago(began), ended_at=ago(ended), end_sign="")
    doubts = reading_doubts(record(bank, happened_at=ago(1)))
    assert [doubt.key for doubt in doubts] == (["reading.not_rested"] if said else [])
    assert ("voltage of the charger" in "".join(doubt.sentence for doubt in doubts)) is said


def test_a_float_ends_where_the_unit_goes_elsewhere(bank):
    connect(bank, "float", 40)
    unit_move(unit=bank.stays.get().unit, to=DepotFactory(), at=ago(10), actor=None, now=NOW)
    doubts = reading_doubts(record(bank, happened_at=ago(1)))
    assert [doubt.key for doubt in doubts] == ["reading.loads_on"]


def test_a_capacity_test_and_an_ohmic_test(bank):
    assert bank_test_record(
        bank=bank, kind="capacity", capacity_ah=170.0, happened_at=ago(1), actor=None, now=NOW
    ).pk
    assert bank_test_record(
        bank=bank, kind="ohmic", worst_ratio=1.3, happened_at=ago(1), actor=None, now=NOW
    ).pk
    with pytest.raises(DomainError, match="result of the test is missing"):
        bank_test_record(bank=bank, kind="ohmic", happened_at=ago(2), actor=None, now=NOW)
    with pytest.raises(DomainError, match="more than twice the rated"):
        bank_test_record(bank=bank, kind="capacity", capacity_ah=500, happened_at=ago(3), actor=None, now=NOW)


def test_a_float_says_how_long_it_is_believed(bank):
    with pytest.raises(DomainError, match="looked at again"):
        supply_state_record(bank=bank, kind="float", happened_at=ago(1), actor=None, now=NOW)
    row = supply_state_record(
        bank=bank, kind="float", check_interval_days=30, happened_at=ago(1), actor=None, now=NOW
    )
    assert (row.kind, row.check_interval_days) == ("float", 30)
