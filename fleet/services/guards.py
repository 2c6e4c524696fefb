"""Tables that the database itself keeps append-only.

A migration installs each guard; `guard_keep` has it looked after again after every `migrate`, because SQLite drops
the triggers of a table that a later migration rebuilds.
"""

from __future__ import annotations

from typing import Any

from django.apps import AppConfig
from django.db import connections
from django.db.models.signals import post_migrate

from fleet.lib.append_only import install_statements, remove_statements

_guarded: dict[str, str] = {}


def guard_keep(app: AppConfig, *, table: str, sentence: str) -> None:
    """Registers `table` of `app` as append-only; call in `AppConfig.ready()`."""
    _guarded[table] = sentence

    def again(using: str, **_: Any) -> None:
        guard_install(using, table=table)

    post_migrate.connect(again, sender=app, weak=False, dispatch_uid=f"guard:{table}")


def guard_install(using: str = "default", *, table: str) -> None:
    connection = connections[using]
    with connection.cursor() as cursor:
        if table in connection.introspection.table_names(cursor):
            for statement in install_statements(connection.vendor, table, _guarded[table]):
                cursor.execute(statement)


def guard_remove(using: str = "default", *, table: str) -> None:
    """For an empty table about to be dropped or, in a test, emptied; nothing in the product calls this."""
    connection = connections[using]
    with connection.cursor() as cursor:
        if table in connection.introspection.table_names(cursor):
            for statement in remove_statements(connection.vendor, table):
                cursor.execute(statement)


def guarded_tables() -> tuple[str, ...]:
    return tuple(_guarded)
