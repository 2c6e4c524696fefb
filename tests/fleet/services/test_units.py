"""Where a unit is, who has it, and what is known about its body."""

import datetime as dt
import uuid

import pytest

from fleet.lib.errors import DomainError
from fleet.models import Absence, AuditEntry, Certificate, Modification, UnitStay
from fleet.services.corrections import record_supersede
from fleet.services.deployments import deployment_start
from fleet.services.past_deployments import deployment_past
from fleet.services.units import (
    absence_end,
    absence_start,
    absence_strike,
    certificate_record,
    modification_record,
    unit_move,
    weighing_record,
    wet_state_record,
)
from tests.factories.fleet import (
    NOW,
    TODAY,
    DepotFactory,
    PackedFormFactory,
    PlaceFactory,
    UnitFactory,
    UserFactory,
    ago,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


def stays(unit):
    return [(stay.place, stay.absence, stay.ended_at) for stay in unit.stays.order_by("started_at")]


def away(unit, **changes):
    values = {"purpose": "loan", "custodian": "Coast county", "started_at": ago(5), "actor": None, "now": NOW}
    return absence_start(unit=unit, **(values | changes))


def test_a_unit_moves_once_and_the_old_stay_ends_when_the_new_begins():
    unit, other = UnitFactory(), PlaceFactory()
    for _ in range(2):
        unit_move(unit=unit, to=other, at=ago(1), actor=None, now=NOW)
    assert stays(unit) == [(unit.home, None, ago(1)), (other, None, None)]
    entry = AuditEntry.objects.get(action="unit.move")
    assert entry.before["place"]["label"] == unit.home.name
    assert entry.after["place"]["label"] == other.name


def test_a_move_may_make_the_depot_its_home():
    unit, other = UnitFactory(), DepotFactory()
    unit_move(unit=unit, to=other, at=ago(1), actor=None, as_home=True, now=NOW)
    unit.refresh_from_db()
    assert (unit.home, unit.version) == (other, 2)
    with pytest.raises(DomainError, match="is not a depot"):
        unit_move(unit=unit, to=PlaceFactory(), at=ago(0), actor=None, as_home=True, now=NOW)


@pytest.mark.parametrize("at", [ago(-1), ago(2000)])
def test_a_unit_moves_neither_tomorrow_nor_before_it_came(at):
    unit = UnitFactory(commissioned_on=None)
    with pytest.raises(DomainError):
        unit_move(unit=unit, to=PlaceFactory(), at=at, actor=None, now=NOW)
    assert UnitStay.objects.filter(unit=unit).count() == 1


def test_an_absence_takes_the_unit_out_of_its_place_and_brings_it_back():
    unit = UnitFactory()
    absence = away(unit, due_back_on=TODAY, recall_h=36.0)
    assert away(unit).pk == absence.pk
    with pytest.raises(DomainError, match="is away"):
        unit_move(unit=unit, to=PlaceFactory(), at=ago(1), actor=None, now=NOW)
    with pytest.raises(DomainError, match="End that absence first"):
        away(unit, purpose="exercise")
    for _ in range(2):
        absence_end(absence=absence, ended_at=ago(1), actor=None, now=NOW)
    assert stays(unit) == [
        (unit.home, None, ago(5)),
        (None, absence, ago(1)),
        (unit.home, None, None),
    ]
    assert Absence.objects.get().version == 2


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"custodian": " "}, "who has the unit"),
        ({"due_back_on": TODAY - dt.timedelta(days=9)}, "before it leaves"),
        ({"started_at": ago(-2)}, "has not come yet"),
        ({"recall_h": -1.0}, "greater than or equal to 0"),
        ({"purpose": "holiday"}, "not a valid choice"),
    ],
)
def test_an_absence_that_makes_no_sense_is_refused_whole(changes, words):
    unit = UnitFactory()
    with pytest.raises(DomainError, match=words):
        away(unit, **changes)
    assert (Absence.objects.count(), len(stays(unit))) == (0, 1)


def test_it_is_not_back_before_it_left():
    absence = away(UnitFactory())
    with pytest.raises(DomainError, match="back before it left"):
        absence_end(absence=absence, ended_at=ago(6), actor=None, now=NOW)


@pytest.mark.parametrize(
    ("kind", "touches"),
    [
        ("drop", ["lifting", "type_test", "wiring"]),
        ("swap", ["mass", "cog", "wiring"]),
        ("repair", ["lifting", "wiring"]),
        ("modification", ["mass", "cog", "lifting", "wiring", "type_test"]),
    ],
)
def test_a_change_touches_what_its_kind_touches_unless_narrowed(kind, touches):
    values = {"unit": UnitFactory(), "kind": kind, "happened_at": ago(1), "actor": None, "now": NOW}
    assert modification_record(description="Frame straightened", **values).touches == touches
    assert modification_record(description="Lamp lead", touches=["wiring"], **values).touches == ["wiring"]
    with pytest.raises(DomainError, match="no kind of evidence"):
        modification_record(description="Paint", touches=["colour"], **values)


def test_a_weighing_is_of_this_design_and_believable():
    unit = UnitFactory()
    form = PackedFormFactory(design=unit.design, mass_kg=1800.0)
    values = {"unit": unit, "happened_at": ago(1), "actor": None, "now": NOW}
    assert weighing_record(packed_form=form, mass_kg=1834.0, **values).mass_kg == 1834.0
    with pytest.raises(DomainError, match="another design"):
        weighing_record(packed_form=PackedFormFactory(), mass_kg=1834.0, **values)
    with pytest.raises(DomainError, match="typed in another unit"):
        weighing_record(packed_form=form, mass_kg=18.3, **values)
    with pytest.raises(DomainError, match="Was it typed in another unit"):
        weighing_record(packed_form=form, mass_kg=1834 / 0.45359237, **values)
    unlisted = PackedFormFactory(design=unit.design, mass_kg=None)
    with pytest.raises(DomainError, match=r"3.7 kg is less than 50 kg"):
        weighing_record(packed_form=unlisted, mass_kg=3.7, **values)


def test_a_weighing_that_cannot_be_is_asked_about_first_and_never_kept():
    unit = UnitFactory()
    form = PackedFormFactory(design=unit.design, kind="trailer", mass_kg=3700.0, tongue_load_kg=150.0)
    values = {"unit": unit, "packed_form": form, "happened_at": ago(1), "actor": None, "now": NOW}
    with pytest.raises(DomainError, match="tonnes typed as kilograms") as asked:
        weighing_record(mass_kg=3.7, **values)
    assert asked.value.key == "weighing.implausible"
    for mass_kg in (3.7, -5.0):
        with pytest.raises(DomainError) as refused:
            weighing_record(mass_kg=mass_kg, confirmed=True, **values)
        assert refused.value.key == "weighing.impossible"
        assert "confirm" not in refused.value.sentence


def test_a_mass_out_of_the_ordinary_is_confirmed_once():
    unit = UnitFactory()
    form = PackedFormFactory(design=unit.design, mass_kg=1800.0)
    odd = weighing_record(
        unit=unit, packed_form=form, mass_kg=4000.0, happened_at=ago(1), actor=None, confirmed=True, now=NOW
    )
    # Another word about the same mass does not ask again; another odd mass does.
    right = record_supersede(record=odd, changes={"method": "crane scale"}, actor=None, now=NOW)
    assert (right.mass_kg, right.method) == (4000.0, "crane scale")
    with pytest.raises(DomainError, match="confirm that it is right"):
        record_supersede(record=right, changes={"mass_kg": 4100.0}, actor=None, now=NOW)
    right.refresh_from_db()
    assert right.counts
    put = record_supersede(record=right, changes={"mass_kg": 4100.0}, actor=None, confirmed=True, now=NOW)
    assert put.mass_kg == 4100.0


def test_a_wet_state_and_a_certificate_are_written_once():
    unit, nora = UnitFactory(), UserFactory()
    with pytest.raises(DomainError, match="lies before it was done"):
        wet_state_record(
            unit=unit,
            kind="preserved",
            happened_at=ago(1),
            good_until=TODAY - dt.timedelta(days=3),
            actor=nora,
            now=NOW,
        )
    assert wet_state_record(unit=unit, kind="dry", happened_at=ago(1), actor=nora, now=NOW).kind == "dry"
    token = uuid.uuid4()
    for _ in range(2):
        certificate_record(
            unit=unit,
            kind="lifting_exam",
            number="L-7",
            issued_on=TODAY - dt.timedelta(days=3),
            expires_on=TODAY + dt.timedelta(days=180),
            actor=nora,
            token=token,
            now=NOW,
        )
    assert Certificate.objects.get().happened_at == NOW


@pytest.mark.parametrize(
    ("issued_in_days", "expires_in_days", "words"),
    [(1, 30, "has not come yet"), (-3, -4, "expires before it was issued")],
)
def test_a_certificate_has_days_in_order(issued_in_days, expires_in_days, words):
    with pytest.raises(DomainError, match=words):
        certificate_record(
            unit=UnitFactory(),
            kind="trailer",
            issued_on=TODAY + dt.timedelta(days=issued_in_days),
            expires_on=TODAY + dt.timedelta(days=expires_in_days),
            actor=None,
            now=NOW,
        )
    assert Modification.objects.count() == Certificate.objects.count() == 0


def test_the_same_certificate_twice_says_so():
    unit = UnitFactory()
    values = {"unit": unit, "kind": "trailer", "number": "T-1", "issued_on": TODAY, "actor": None, "now": NOW}
    certificate_record(**values)
    with pytest.raises(DomainError, match="on file already"):
        certificate_record(**values)


def never_was(unit, **changes):
    loan = away(unit, **changes)
    absence_end(absence=loan, ended_at=ago(3), actor=None, now=NOW)
    return absence_strike(absence=loan, reason="never was", actor=None, now=NOW)


def test_a_unit_whose_absence_was_struck_out_stood_there_in_one_piece():
    unit = UnitFactory()
    began = unit.stays.get().started_at
    never_was(unit)
    assert stays(unit) == [(unit.home, None, None)]
    assert unit.stays.get().started_at == began
    deployment_past(unit=unit, code="TRUE", started_at=ago(4), ended_at=ago(2), actor=None, now=NOW)
    assert [(place, until) for place, _, until in stays(unit)] == [
        (unit.home, ago(4)), (None, ago(2)), (unit.home, None)
    ]  # fmt: skip


def test_a_unit_may_leave_by_hand_within_what_was_struck_out():
    unit = UnitFactory()
    never_was(unit)
    deployment_start(unit=unit, code="TRUE", started_at=ago(4), custodian="Coast", actor=None, now=NOW)
    assert [(place, until) for place, _, until in stays(unit)] == [(unit.home, ago(4)), (None, None)]


def test_an_open_absence_that_is_struck_out_leaves_one_open_stay():
    unit = UnitFactory()
    absence_strike(absence=away(unit), reason="never was", actor=None, now=NOW)
    assert stays(unit) == [(unit.home, None, None)]


def test_a_unit_that_came_back_elsewhere_is_not_joined_across_its_move():
    unit, other = UnitFactory(), PlaceFactory()
    loan = away(unit)
    absence_end(absence=loan, ended_at=ago(3), to=other, actor=None, now=NOW)
    absence_strike(absence=loan, reason="never was", actor=None, now=NOW)
    assert stays(unit) == [(unit.home, None, ago(3)), (other, None, None)]
    with pytest.raises(DomainError) as refused:
        deployment_past(unit=unit, code="T", started_at=ago(4), ended_at=ago(2), actor=None, now=NOW)
    assert refused.value.key == "stay.moved_then"
