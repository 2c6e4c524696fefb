"""A piece with a serial is in one position at a time; the database itself refuses a second one."""

from __future__ import annotations

from fleet.lib.append_only import POSTGRES, SQLITE
from fleet.services.guards import Guard

TABLE = "inventory_fittedpart"
SENTENCE = "A piece with a serial is in one position at a time: remove it from there first."
SERIALISED = (
    "EXISTS (SELECT 1 FROM inventory_lot l JOIN inventory_item i ON i.id = l.item_id "
    "WHERE l.id = NEW.lot_id AND i.serialised)"
)
TWO_OPEN = f"(SELECT COUNT(*) FROM {TABLE} p WHERE p.lot_id = NEW.lot_id AND p.removed_at IS NULL) > 1"
EVENTS = {"insert": "INSERT", "update": "UPDATE OF lot_id, removed_at"}


def install(vendor: str) -> list[str]:
    """Statements that have no effect when run again; ValueError for an engine not known here."""
    if vendor == SQLITE:
        return [
            f"CREATE TRIGGER IF NOT EXISTS {TABLE}_single_{name} AFTER {event} ON {TABLE} "
            f"WHEN NEW.removed_at IS NULL AND {SERIALISED} AND {TWO_OPEN} "
            f"BEGIN SELECT RAISE(ABORT, '{SENTENCE}'); END"
            for name, event in EVENTS.items()
        ]
    if vendor == POSTGRES:
        # The lot is locked, so that of two writers at the same moment the second one sees what the first one wrote.
        return [
            (
                f"CREATE OR REPLACE FUNCTION {TABLE}_single() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
                f"IF NEW.removed_at IS NULL AND {SERIALISED} THEN "
                f"PERFORM 1 FROM inventory_lot WHERE id = NEW.lot_id FOR NO KEY UPDATE; "
                f"IF {TWO_OPEN} THEN RAISE EXCEPTION '{SENTENCE}' USING ERRCODE = 'unique_violation'; END IF; "
                f"END IF; RETURN NULL; END $$"
            ),
            (
                f"CREATE OR REPLACE TRIGGER {TABLE}_single AFTER INSERT OR {EVENTS['update']} ON {TABLE} "
                f"FOR EACH ROW EXECUTE FUNCTION {TABLE}_single()"
            ),
        ]
    raise ValueError(f"No way is known to keep a piece in one position on {vendor}.")


def remove(vendor: str) -> list[str]:
    """Statements that take it away; without effect when there is none."""
    if vendor == SQLITE:
        return [f"DROP TRIGGER IF EXISTS {TABLE}_single_{name}" for name in EVENTS]
    return [
        f"DROP TRIGGER IF EXISTS {TABLE}_single ON {TABLE}",
        f"DROP FUNCTION IF EXISTS {TABLE}_single()",
    ]


SINGLE_PIECE = Guard(TABLE, install, remove, names_others=True)
