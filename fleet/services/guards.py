"""Facts that the database itself keeps by triggers: append-only tables, records that are never deleted, and others.

Guards are looked after again after every `migrate`, because SQLite drops the triggers of a table that a later migration
rebuilds. A guard that names other tables steps aside while SQLite migrates: it could not rename a table that a trigger
names. After a migration that failed nothing puts it back; `up` looks after that, and a system check names what is missing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from django.apps import AppConfig
from django.db import connections, transaction
from django.db.models.signals import post_migrate, pre_migrate

from fleet.lib.append_only import (
    SQLITE,
    install_statements,
    keep_remove_statements,
    keep_statements,
    remove_statements,
)
from fleet.models import ImportRun

RECORD_IS_KEPT = "A record is never deleted: strike it out with a reason, or correct it."
SQLITE_TRIGGERS = "SELECT lower(tbl_name), lower(name) FROM sqlite_master WHERE type = 'trigger'"
POSTGRES_TRIGGERS = (
    "SELECT c.relname, t.tgname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
    "WHERE NOT t.tgisinternal AND t.tgenabled <> 'D' AND pg_table_is_visible(c.oid)"
)
CREATED = re.compile(
    r"CREATE (?:OR REPLACE )?(?:CONSTRAINT )?TRIGGER (?:IF NOT EXISTS )?(\w+) .*? ON (\w+)",
    re.IGNORECASE | re.DOTALL,
)
# The one way out: an import that is being taken back takes along the rows it brought, in one transaction (`letting_go`).
BEING_TAKEN_BACK = (
    "EXISTS (SELECT 1 FROM fleet_importchange c JOIN fleet_importrun r ON r.id = c.run_id "
    "WHERE r.taking_back AND c.model = '{label}' AND c.object_id = CAST(OLD.id AS TEXT))"
)


@dataclass(frozen=True, slots=True)
class Guard:
    """Statements by engine that put a guard on `table` and take it away; both have no effect the second time."""

    table: str
    install: Callable[[str], list[str]]
    remove: Callable[[str], list[str]]
    names_others: bool = False


_guards: dict[str, Guard] = {}


def guard_add(app: AppConfig, guard: Guard) -> None:
    """Registers a guard of a table of `app`; call in `AppConfig.ready()`."""
    _guards[guard.table] = guard

    def again(using: str, **_: Any) -> None:
        guard_install(using, table=guard.table)

    def aside(using: str, **_: Any) -> None:
        if connections[using].vendor == SQLITE:
            guard_remove(using, table=guard.table)

    post_migrate.connect(again, sender=app, weak=False, dispatch_uid=f"guard:{guard.table}")
    if guard.names_others:
        pre_migrate.connect(aside, sender=app, weak=False, dispatch_uid=f"guard aside:{guard.table}")


def guard_keep(app: AppConfig, *, table: str, sentence: str) -> None:
    """`table` is append-only."""
    guard_add(
        app,
        Guard(
            table,
            lambda vendor: install_statements(vendor, table, sentence),
            lambda vendor: remove_statements(vendor, table),
        ),
    )


def guard_records(app: AppConfig) -> None:
    """Every record of `app` that can be struck out is struck out or superseded, never deleted."""
    for model in app.get_models():
        if any(field.name == "struck_at" for field in model._meta.concrete_fields):
            guard_add(app, _record_guard(model._meta.db_table, model._meta.label))


def _record_guard(table: str, label: str) -> Guard:
    unless = BEING_TAKEN_BACK.format(label=label)
    return Guard(
        table,
        lambda vendor: keep_statements(vendor, table, RECORD_IS_KEPT, unless=unless),
        lambda vendor: keep_remove_statements(vendor, table),
        names_others=True,
    )


@contextmanager
def letting_go(run: ImportRun) -> Iterator[None]:
    """Inside a transaction: the records that this import brought may be deleted. No other transaction ever sees it."""
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("An import lets go of its rows inside a transaction.")
    ImportRun.objects.filter(pk=run.pk).update(taking_back=True)
    yield
    ImportRun.objects.filter(pk=run.pk).update(taking_back=False)


def guard_install(using: str = "default", *, table: str) -> None:
    _execute(using, [_guards[table]], "install")


def guard_remove(using: str = "default", *, table: str) -> None:
    """For a table about to be rebuilt or dropped or, in a test, emptied; no service calls this."""
    _execute(using, [_guards[table]], "remove")


def guards_install(using: str = "default") -> None:
    """All of them."""
    _execute(using, _guards.values(), "install")


def guards_remove(using: str = "default") -> None:
    """All of them, for a test that empties the database."""
    _execute(using, _guards.values(), "remove")


def guards_missing(using: str = "default") -> list[str]:
    """The tables, in alphabetical order, that are there while a trigger of their guard is not. Two queries."""
    connection = connections[using]
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
        cursor.execute(SQLITE_TRIGGERS if connection.vendor == SQLITE else POSTGRES_TRIGGERS)
        there = {tuple(row) for row in cursor.fetchall()}
    return sorted(
        guard.table
        for guard in _guards.values()
        if guard.table in tables and not _triggers_of(guard, connection.vendor) <= there
    )


def _triggers_of(guard: Guard, vendor: str) -> set[tuple[str, str]]:
    """Each trigger of a guard with its table, in lower case, as its statements name them."""
    return {
        (table.lower(), name.lower())
        for statement in guard.install(vendor)
        for name, table in CREATED.findall(statement)
    }


def _execute(using: str, guards: Iterable[Guard], what: str) -> None:
    connection = connections[using]
    with transaction.atomic(using=using), connection.cursor() as cursor:
        there = set(connection.introspection.table_names(cursor))
        for guard in guards:
            if guard.table in there:
                for statement in getattr(guard, what)(connection.vendor):
                    cursor.execute(statement)


def guarded_tables() -> tuple[str, ...]:
    return tuple(_guards)
