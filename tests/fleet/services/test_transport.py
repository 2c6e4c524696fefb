"""What a bank is to the transport rules, and what differs on one unit: versioned, audited, refused when it cannot be."""

import datetime as dt
from typing import Any

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, BankTransport, UnitForm
from fleet.services import changes
from fleet.services.transport import bank_transport_save, unit_form_save
from fleet.services.versions import Conflict
from tests.factories.fleet import NOW, TODAY, BankFactory, PackedFormFactory, UnitFactory, UserFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
DAY = dt.timedelta(days=1)


@pytest.fixture
def unit():
    return UnitFactory(tag="MW-1")


@pytest.fixture
def skid(unit):
    return PackedFormFactory(design=unit.design)


@pytest.fixture
def told(monkeypatch) -> list[frozenset[int]]:
    found: list[frozenset[int]] = []
    monkeypatch.setattr(changes, "_markers", [lambda ids: found.append(frozenset(ids))])
    return found


def differs(unit, skid, **given) -> UnitForm:
    values: dict[str, Any] = {
        "measures": {"mass_kg": 2300.0},
        "reason": "A second tank, weighed",
        "valid_from": TODAY - 10 * DAY,
        "actor": None,
        "now": NOW,
    }
    return unit_form_save(unit=unit, packed_form=skid, **(values | given))


def test_what_a_bank_is_is_said_audited_and_its_unit_judged_again(unit, told) -> None:
    bank, actor = BankFactory(unit=unit), UserFactory()
    row = bank_transport_save(bank=bank, values={"config": "installed", "declared_wh": 4800.0}, actor=actor)
    assert (row.config, row.declared_wh, row.version, row.host) == ("installed", 4800.0, 1, "")
    assert told == [frozenset({unit.pk})]
    row = bank_transport_save(bank=bank, values={"host": "equipment"}, actor=actor, seen_version=1)
    assert (row.config, row.host, row.version) == ("installed", "equipment", 2)
    assert frozenset({unit.pk}) in told[1:]
    entries = AuditEntry.objects.filter(action__startswith="banktransport").order_by("id")
    assert [(entry.action, entry.unit, entry.actor) for entry in entries] == [
        ("banktransport.add", unit, actor),
        ("banktransport.edit", unit, actor),
    ]


@pytest.mark.parametrize("seen", [None, 7])
def test_who_did_not_see_what_is_on_file_writes_nothing(unit, seen) -> None:
    bank = BankFactory(unit=unit)
    bank_transport_save(bank=bank, values={"config": "installed"}, actor=None)
    with pytest.raises(Conflict):
        bank_transport_save(bank=bank, values={"config": "alone"}, actor=None, seen_version=seen)
    assert BankTransport.objects.get().config == "installed"


@pytest.mark.parametrize(
    ("values", "key"),
    [
        ({"declared_wh": 0.0}, "record.refused"),
        ({"net_mass_kg": -1.0}, "record.refused"),
        ({"declared_wh": float("nan")}, "record.not_a_number"),
        ({"config": "somewhere"}, "record.field"),
        ({"spare_sets": -1}, "record.field"),
    ],
)
def test_what_a_bank_cannot_be_is_refused(unit, values, key) -> None:
    with pytest.raises(DomainError) as caught:
        bank_transport_save(bank=BankFactory(unit=unit), values=values, actor=None)
    assert caught.value.key == key
    assert not BankTransport.objects.exists()


def test_facts_that_are_none_are_a_fault_of_the_caller(unit, skid) -> None:
    with pytest.raises(ValueError, match="colour"):
        bank_transport_save(bank=BankFactory(unit=unit), values={"colour": "blue"}, actor=None)
    with pytest.raises(ValueError, match="colour"):
        differs(unit, skid, measures={"colour": 1})


def test_what_differs_ends_what_differed_the_day_before(unit, skid, told) -> None:
    first = differs(unit, skid)
    assert told == [frozenset({unit.pk})]
    second = differs(unit, skid, measures={"mass_kg": 2400.0, "cog_z_mm": 900.0}, valid_from=TODAY)
    first.refresh_from_db()
    assert (first.valid_to, first.version) == (TODAY - DAY, 2)
    assert (second.mass_kg, second.cog_z_mm, second.length_mm, second.valid_to) == (2400.0, 900.0, None, None)
    actions = AuditEntry.objects.filter(action__startswith="unitform").order_by("id")
    assert [(entry.action, entry.unit) for entry in actions] == [
        ("unitform.add", unit),
        ("unitform.end", unit),
        ("unitform.add", unit),
    ]
    assert list(UnitForm.objects.valid_on(TODAY - DAY)) == [first]
    assert list(UnitForm.objects.valid_on(TODAY)) == [second]


def test_the_same_day_again_edits_what_was_seen(unit, skid) -> None:
    row = differs(unit, skid)
    edited = differs(unit, skid, measures={"mass_kg": 2350.0}, seen_version=1)
    assert (edited.pk, edited.mass_kg, edited.version) == (row.pk, 2350.0, 2)
    with pytest.raises(Conflict):
        differs(unit, skid, measures={"mass_kg": 2500.0}, seen_version=1)
    assert UnitForm.objects.get().mass_kg == 2350.0


def test_back_to_the_design_is_said_by_leaving_every_measure_empty(unit, skid) -> None:
    first = differs(unit, skid)
    back = differs(unit, skid, measures={}, reason="Tank taken off", valid_from=TODAY)
    first.refresh_from_db()
    assert (first.valid_to, back.mass_kg, back.valid_to) == (TODAY - DAY, None, None)


@pytest.mark.parametrize(
    ("given", "key"),
    [
        ({"measures": {"mass_kg": None}}, "unit_form.nothing_differs"),
        ({"reason": "  "}, "record.field"),
        ({"valid_from": TODAY + DAY}, "unit_form.in_future"),
        ({"valid_from": dt.date(1990, 1, 1)}, "unit_form.before_birth"),
        ({"measures": {"length_mm": 0.0}}, "form.impossible"),
        ({"measures": {"mass_kg": 0.5}, "confirmed": True}, "record.field"),
    ],
)
def test_what_cannot_be_is_refused(unit, skid, given, key) -> None:
    with pytest.raises(DomainError) as caught:
        differs(unit, skid, **given)
    assert caught.value.key == key
    assert "{" not in caught.value.sentence
    assert not UnitForm.objects.exists()


def test_a_form_of_another_design_is_refused(unit) -> None:
    with pytest.raises(DomainError) as caught:
        differs(unit, PackedFormFactory())
    assert caught.value.key == "unit_form.other_design"


def test_nothing_is_written_before_what_is_on_file(unit, skid) -> None:
    first = differs(unit, skid)
    with pytest.raises(DomainError) as caught:
        differs(unit, skid, valid_from=first.valid_from - DAY)
    assert caught.value.key == "unit_form.later_on_file"
    first.valid_to = TODAY - 2 * DAY
    first.save()
    with pytest.raises(DomainError) as caught:
        differs(unit, skid, valid_from=TODAY - 2 * DAY)
    assert caught.value.key == "unit_form.later_on_file"
    assert differs(unit, skid, valid_from=TODAY - DAY).valid_from == TODAY - DAY


@pytest.mark.parametrize(
    ("measures", "named"),
    [
        ({"lifting_points": 3}, "lifting"),
        ({"lifting_points": 0}, "lifting"),
        ({"mass_kg": 49.9}, "49.9 kg"),
        ({"mass_kg": 899.0}, "899 kg"),
        ({"mass_kg": 3601.0}, "3601 kg"),
        ({"mass_kg": 49.0, "lifting_points": 2}, "49 kg"),
    ],
)
def test_what_is_out_of_the_ordinary_is_confirmed_first(unit, skid, measures, named) -> None:
    with pytest.raises(DomainError) as caught:
        differs(unit, skid, measures=measures)
    assert caught.value.key == "unit_form.confirm"
    assert named in caught.value.sentence
    assert not UnitForm.objects.exists()
    row = differs(unit, skid, measures=measures, confirmed=True)
    assert {name: getattr(row, name) for name in measures} == measures


@pytest.mark.parametrize("measures", [{"lifting_points": 4}, {"mass_kg": 900.0}, {"mass_kg": 3600.0}])
def test_the_edges_of_the_ordinary_need_no_tick(unit, skid, measures) -> None:
    assert differs(unit, skid, measures=measures).pk


def test_without_a_mass_of_the_design_only_the_lightest_is_asked(unit) -> None:
    bare = PackedFormFactory(design=unit.design, mass_kg=None, length_mm=None)
    assert differs(unit, bare, measures={"mass_kg": 50.0}).mass_kg == 50.0
