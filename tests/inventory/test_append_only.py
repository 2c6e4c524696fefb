"""Movements and audit lines can be added and read; the database refuses everything else, on both engines."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import DatabaseError, connection, models, transaction

from fleet.models import AuditEntry, Place, User
from fleet.services.audit import audit_record
from fleet.services.guards import guarded_tables
from inventory.models import Item, Lot, Movement

pytestmark = pytest.mark.db_both


def a_movement(now: dt.datetime) -> Movement:
    place = Place.objects.create(code="ASH", name="Ash Hill", kind=Place.Kind.DEPOT)
    item = Item.objects.create(code="CART", name="Cartridge")
    lot = Lot.objects.create(item=item, code="L1")
    return Movement.objects.create(
        kind=Movement.Kind.RECEIPT, lot=lot, qty=Decimal(5), to_place=place, happened_at=now
    )


def an_audit_line() -> AuditEntry:
    return audit_record(actor=None, action="test.line", subject=User.objects.create(username="ines"))


def attempts(row: models.Model) -> list[tuple[str, str]]:
    table = row._meta.db_table
    column = "reason" if isinstance(row, Movement) else "note"
    return [
        ("change by SQL", f"UPDATE {table} SET {column} = 'x' WHERE id = {row.pk}"),
        ("delete by SQL", f"DELETE FROM {table} WHERE id = {row.pk}"),
        ("delete all", f"DELETE FROM {table}"),
    ]


def refuses(row: models.Model, sentence: str) -> None:
    for name, statement in attempts(row):
        with (
            pytest.raises(DatabaseError, match=sentence),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(statement)
        assert type(row)._default_manager.filter(pk=row.pk).exists(), name


@pytest.mark.django_db
def test_a_movement_is_never_changed_or_deleted(now: dt.datetime) -> None:
    movement = a_movement(now)
    refuses(movement, "reverse the movement instead")
    movement.qty = Decimal(6)
    with pytest.raises(DatabaseError, match="reverse the movement"), transaction.atomic():
        movement.save()
    with pytest.raises(DatabaseError, match="reverse the movement"), transaction.atomic():
        movement.delete()
    assert Movement.objects.get().qty == Decimal(5)


@pytest.mark.django_db
def test_an_audit_line_is_never_changed_or_deleted() -> None:
    refuses(an_audit_line(), "audit trail is never changed")


@pytest.mark.django_db(transaction=True)
def test_postgresql_refuses_truncate_too(now: dt.datetime) -> None:
    if connection.vendor != "postgresql":
        pytest.skip("needs postgres")
    a_movement(now)
    with (
        pytest.raises(DatabaseError, match="reverse the movement"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute("TRUNCATE inventory_movement CASCADE")


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("round_", [1, 2])
def test_transactional_tests_start_empty_and_guarded(round_: int, now: dt.datetime) -> None:
    """The second round would find the rows of the first, were the flush between them refused."""
    assert not Movement.objects.exists()
    assert not AuditEntry.objects.exists()
    refuses(a_movement(now), "reverse the movement")
    refuses(an_audit_line(), "audit trail")


@pytest.mark.django_db(transaction=True)
def test_a_guard_lost_by_rebuilding_the_table_comes_back_with_migrate(now: dt.datetime) -> None:
    from django.core.management import call_command

    from fleet.services.guards import guard_remove

    for table in guarded_tables():
        guard_remove(table=table)
    call_command("migrate", verbosity=0)
    refuses(a_movement(now), "reverse the movement")
    refuses(an_audit_line(), "audit trail")
