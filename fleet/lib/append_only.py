"""The statements by which the database itself keeps rows, on SQLite and on PostgreSQL.

Rows of an append-only table can be added and read; UPDATE, DELETE (and TRUNCATE where there is one) are refused with a
sentence. Rows of a table that is only kept may be changed as well, but are not deleted.
"""

from __future__ import annotations

SQLITE, POSTGRES = "sqlite", "postgresql"


def install_statements(vendor: str, table: str, sentence: str) -> list[str]:
    """Statements that guard `table`; running them again has no effect.

    `vendor` is the engine's name as Django gives it; raises ValueError for one that has no guard here.
    """
    said = sentence.replace("'", "''")
    if vendor == SQLITE:
        return [
            f"CREATE TRIGGER IF NOT EXISTS {table}_no_{action.lower()} BEFORE {action} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{said}'); END"
            for action in ("UPDATE", "DELETE")
        ]
    if vendor == POSTGRES:
        function = f"{table}_refuse_change"
        return [
            (
                f"CREATE OR REPLACE FUNCTION {function}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
                f"RAISE EXCEPTION '{said.replace('%', '%%')}' USING ERRCODE = 'restrict_violation'; END $$"
            ),
            (
                f"CREATE OR REPLACE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
                f"FOR EACH ROW EXECUTE FUNCTION {function}()"
            ),
            (
                f"CREATE OR REPLACE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
                f"FOR EACH STATEMENT EXECUTE FUNCTION {function}()"
            ),
        ]
    raise ValueError(f"No way is known to make a table append-only on {vendor}.")


def remove_statements(vendor: str, table: str) -> list[str]:
    """Statements that take the guard of `table` away, for a migration back; without effect when there is none."""
    if vendor == SQLITE:
        return [f"DROP TRIGGER IF EXISTS {table}_no_{action}" for action in ("update", "delete")]
    if vendor == POSTGRES:
        return [
            f"DROP TRIGGER IF EXISTS {table}_no_change ON {table}",
            f"DROP TRIGGER IF EXISTS {table}_no_truncate ON {table}",
            f"DROP FUNCTION IF EXISTS {table}_refuse_change()",
        ]
    raise ValueError(f"No way is known to make a table append-only on {vendor}.")


def keep_statements(vendor: str, table: str, sentence: str, *, unless: str) -> list[str]:
    """Statements that refuse DELETE in `table`, but for rows of which the SQL condition `unless` (about OLD) is true.

    Running them again has no effect; raises ValueError for an engine that has no guard here.
    """
    said = sentence.replace("'", "''")
    if vendor == SQLITE:
        return [
            (
                f"CREATE TRIGGER IF NOT EXISTS {table}_kept BEFORE DELETE ON {table} WHEN NOT ({unless}) "
                f"BEGIN SELECT RAISE(ABORT, '{said}'); END"
            )
        ]
    if vendor == POSTGRES:
        raised = f"RAISE EXCEPTION '{said.replace('%', '%%')}' USING ERRCODE = 'restrict_violation';"
        return [
            (
                f"CREATE OR REPLACE FUNCTION {table}_refuse_delete() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
                f"IF TG_OP = 'DELETE' THEN IF {unless} THEN RETURN OLD; END IF; END IF; {raised} END $$"
            ),
            (
                f"CREATE OR REPLACE TRIGGER {table}_kept BEFORE DELETE ON {table} "
                f"FOR EACH ROW EXECUTE FUNCTION {table}_refuse_delete()"
            ),
            (
                f"CREATE OR REPLACE TRIGGER {table}_kept_whole BEFORE TRUNCATE ON {table} "
                f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_refuse_delete()"
            ),
        ]
    raise ValueError(f"No way is known to keep the rows of a table on {vendor}.")


def keep_remove_statements(vendor: str, table: str) -> list[str]:
    """Statements that take the guard of a kept table away; without effect when there is none."""
    if vendor == SQLITE:
        return [f"DROP TRIGGER IF EXISTS {table}_kept"]
    if vendor == POSTGRES:
        return [
            f"DROP TRIGGER IF EXISTS {table}_kept ON {table}",
            f"DROP TRIGGER IF EXISTS {table}_kept_whole ON {table}",
            f"DROP FUNCTION IF EXISTS {table}_refuse_delete()",
        ]
    raise ValueError(f"No way is known to keep the rows of a table on {vendor}.")
