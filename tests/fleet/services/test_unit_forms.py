"""Measures of one unit against what the page showed, and ended on a day."""

import datetime as dt

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, UnitForm
from fleet.services.unit_forms import form_doubts, form_latest, form_shown, unit_form_end, unit_form_write
from fleet.services.versions import Conflict
from tests.factories.fleet import NOW, TODAY, PackedFormFactory, UnitFactory, UserFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
DAY = dt.timedelta(days=1)


@pytest.fixture
def unit():
    return UnitFactory(tag="MW-1")


@pytest.fixture
def skid(unit):
    return PackedFormFactory(design=unit.design)


def write(unit, skid, kg, *, since=TODAY, shown=(0, 0), **given) -> UnitForm:
    return unit_form_write(
        unit=unit,
        packed_form=skid,
        measures={"mass_kg": kg},
        reason="Weighed",
        valid_from=since,
        actor=given.pop("actor", None),
        shown=shown,
        now=NOW,
        **given,
    )


def end(unit, skid, day, shown, **given) -> UnitForm:
    values = {"reason": "Tank taken off", "actor": None, "now": NOW} | given
    return unit_form_end(unit=unit, packed_form=skid, valid_to=day, shown=shown, **values)


def test_twice_the_same_is_one_row(unit, skid) -> None:
    assert write(unit, skid, 2000.0) == write(unit, skid, 2000.0)
    assert UnitForm.objects.count() == 1


@pytest.mark.parametrize("since", [TODAY, TODAY - 3 * DAY])
def test_what_came_meanwhile_is_a_conflict_whichever_day_it_begins(unit, skid, since) -> None:
    other = UserFactory()
    row = write(unit, skid, 2000.0, since=since, actor=other)
    with pytest.raises(Conflict) as caught:
        write(unit, skid, 1900.0, shown=(0, 0))
    assert (caught.value.by, caught.value.theirs) == (other, row)
    assert UnitForm.objects.get().mass_kg == 2000.0
    saved = write(unit, skid, 1900.0, shown=form_shown(row))
    assert saved.mass_kg == 1900.0
    assert UnitForm.objects.count() == (1 if since == TODAY else 2)


def test_ended_on_a_day_with_the_reason_and_once(unit, skid) -> None:
    row = write(unit, skid, 2000.0, since=TODAY - 10 * DAY)
    shown = form_shown(row)
    first = end(unit, skid, TODAY - DAY, shown)
    assert (first.valid_to, first.version) == (TODAY - DAY, 2)
    assert end(unit, skid, TODAY - DAY, shown).version == 2
    entry = AuditEntry.objects.get(action="unitform.end")
    assert (entry.unit, entry.note) == (unit, "Tank taken off")
    assert list(UnitForm.objects.valid_on(TODAY)) == []
    assert form_latest(unit, skid) == row


@pytest.mark.parametrize(
    ("day", "given", "key"),
    [
        (TODAY + DAY, {}, "unit_form.end_in_future"),
        (TODAY - 11 * DAY, {}, "unit_form.end_before_start"),
        (TODAY, {"reason": " "}, "unit_form.end_no_reason"),
    ],
)
def test_an_end_that_cannot_be_is_refused(unit, skid, day, given, key) -> None:
    row = write(unit, skid, 2000.0, since=TODAY - 10 * DAY)
    with pytest.raises(DomainError) as caught:
        end(unit, skid, day, form_shown(row), **given)
    assert caught.value.key == key
    assert "{" not in caught.value.sentence
    assert UnitForm.objects.get().valid_to is None


def test_there_must_be_something_to_end_and_it_must_be_what_was_seen(unit, skid) -> None:
    with pytest.raises(DomainError) as caught:
        end(unit, skid, TODAY, (0, 0))
    assert caught.value.key == "unit_form.nothing_to_end"
    row = write(unit, skid, 2000.0, since=TODAY - 10 * DAY)
    with pytest.raises(Conflict):
        end(unit, skid, TODAY, (row.pk, 7))
    ended = end(unit, skid, TODAY - DAY, form_shown(row))
    with pytest.raises(DomainError) as caught:
        end(unit, skid, TODAY, form_shown(ended))
    assert caught.value.key == "unit_form.ended_already"


def test_doubts_are_told_in_one_text(skid) -> None:
    assert form_doubts(skid, {"mass_kg": skid.mass_kg}) == ""
    assert "3.7" in form_doubts(skid, {"mass_kg": 3.7})
