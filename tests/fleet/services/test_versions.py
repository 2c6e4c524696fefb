"""Saving over someone else's change shows both and asks."""

import pickle

import pytest

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry
from fleet.services.versions import Conflict, save_versioned
from tests.factories.fleet import DesignFactory, UnitFactory, UserFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


def test_an_edit_raises_the_version_and_says_from_what_to_what():
    unit, nora = UnitFactory(yard_place="A1"), UserFactory()
    saved = save_versioned(instance=unit, seen_version=1, changes={"yard_place": "B2"}, actor=nora)
    assert (saved.yard_place, saved.version) == ("B2", 2)
    entry = AuditEntry.objects.get()
    assert (entry.action, entry.actor, entry.before, entry.after) == (
        "unit.edit",
        nora,
        {"yard_place": "A1"},
        {"yard_place": "B2"},
    )


def test_a_second_saver_sees_both_and_may_then_insist():
    unit, nora, silas = (
        UnitFactory(yard_place="A1"),
        UserFactory(first_name="Nora", last_name="L"),
        UserFactory(),
    )
    save_versioned(instance=unit, seen_version=1, changes={"yard_place": "B2"}, actor=nora)
    with pytest.raises(Conflict) as conflict:
        save_versioned(instance=unit, seen_version=1, changes={"yard_place": "C3"}, actor=silas)
    (difference,) = conflict.value.differences
    assert (difference.label, difference.theirs, difference.yours) == ("place in the yard", "B2", "C3")
    assert (conflict.value.by, conflict.value.theirs.version) == (nora, 2)
    assert "Nora L saved" in conflict.value.sentence
    unit.refresh_from_db()
    assert unit.yard_place == "B2"
    saved = save_versioned(
        instance=unit, seen_version=conflict.value.theirs.version, changes={"yard_place": "C3"}, actor=silas
    )
    assert (saved.yard_place, saved.version) == ("C3", 3)


def test_the_same_change_twice_is_no_conflict():
    unit = UnitFactory()
    for _ in range(2):
        save_versioned(instance=unit, seen_version=1, changes={"yard_place": "B2"}, actor=None)
    assert AuditEntry.objects.count() == 1


def test_a_bad_value_is_refused_and_nothing_is_saved():
    unit = UnitFactory(tag="MW-1")
    UnitFactory(tag="MW-2")
    with pytest.raises(DomainError, match="Another unit bears this tag"):
        save_versioned(instance=unit, seen_version=1, changes={"tag": "mw-2"}, actor=None)
    unit.refresh_from_db()
    assert (unit.tag, unit.version) == ("MW-1", 1)


def test_an_edited_design_touches_all_its_units(monkeypatch, django_capture_on_commit_callbacks):
    heard = []
    monkeypatch.setattr("fleet.services.changes._listeners", [heard.append])
    design = DesignFactory()
    units = {UnitFactory(design=design).pk for _ in range(3)}
    UnitFactory()
    with django_capture_on_commit_callbacks(execute=True):
        save_versioned(instance=design, seen_version=1, changes={"enclosure_heat_c": 8.0}, actor=None)
    assert frozenset().union(*heard) == units


def test_a_conflict_travels_between_processes():
    unit = UnitFactory()
    conflict = pickle.loads(pickle.dumps(Conflict(unit, {"yard_place": "X"}, None)))
    assert conflict.differences[0].yours == "X"
