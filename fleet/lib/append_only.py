"""The statements that make a table append-only in the database itself, on SQLite and on PostgreSQL.

Rows of such a table can be added and read; UPDATE, DELETE (and TRUNCATE where there is one) are refused with a sentence.
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
