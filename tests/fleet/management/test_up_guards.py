"""Guards that a failed migration left aside are named, and put back before the tool starts."""

import io

import pytest
from django.core.checks import run_checks
from django.core.management import CommandError, call_command
from django.db import connection
from django.db.models.signals import pre_migrate

from fleet.management.commands import up
from fleet.services.guards import guard_install, guard_remove, guarded_tables, guards_missing

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]


class NoMore(Exception):
    """Where the look at the database is over."""


@pytest.fixture
def start(monkeypatch):
    def stop(*args, **kwargs):
        raise NoMore

    def call():
        out = io.StringIO()
        monkeypatch.setattr(up, "wait_for_port", stop)
        with pytest.raises(NoMore):
            call_command("up", stdout=out)
        return out.getvalue()

    return call


def warned():
    return [message for message in run_checks(databases=["default"]) if message.id == "fleet.W001"]


def test_a_whole_database_is_silent(start):
    assert guards_missing() == []
    assert warned() == []
    assert start() == ""


@pytest.mark.parametrize("table", sorted(guarded_tables()))
def test_a_missing_guard_is_named_and_put_back(table, start):
    guard_remove(table=table)
    assert guards_missing() == [table]
    (warning,) = warned()
    assert table in warning.msg
    assert "migrate" in warning.hint
    assert start() == f"Put back the guards of: {table}.\n"
    assert guards_missing() == []
    assert warned() == []


def test_one_trigger_of_several_is_enough_to_be_named():
    name = (
        "inventory_movement_no_delete" if connection.vendor == "sqlite" else "inventory_movement_no_truncate"
    )
    on = "" if connection.vendor == "sqlite" else " ON inventory_movement"
    with connection.cursor() as cursor:
        cursor.execute(f"DROP TRIGGER {name}{on}")
    assert guards_missing() == ["inventory_movement"]
    guard_install(table="inventory_movement")
    assert guards_missing() == []


def test_what_a_failed_migration_left_aside_comes_back(start):
    """The step before a migration has run, that after it never comes."""
    if connection.vendor != "sqlite":
        pytest.skip("only SQLite sets guards aside")
    pre_migrate.send(sender=_app("readiness"), using="default", verbosity=0)
    assert "readiness_reading" in guards_missing()
    assert "readiness_reading" in start()
    assert guards_missing() == []


def test_nothing_is_put_back_while_a_migration_is_pending(monkeypatch):
    guard_remove(table="readiness_reading")
    monkeypatch.setattr(up.MigrationExecutor, "migration_plan", lambda *args, **kwargs: ["one"])
    with pytest.raises(CommandError, match="migrate"):
        call_command("up")
    assert guards_missing() == ["readiness_reading"]


def _app(label):
    from django.apps import apps

    return apps.get_app_config(label)
