"""The rules in force: what the product ships and every edition of the owner that a second person released."""

from __future__ import annotations

import hashlib
from collections import ChainMap
from functools import lru_cache

from django.db.models import QuerySet

from fleet.domain.dangerous_goods.entries import Entries
from fleet.domain.dangerous_goods.loaded import LoadedTables, faults_of, put_together
from fleet.domain.dangerous_goods.rules import Rules, held_rules
from fleet.models import RuleEdition

# What was released, as it lies in the database: its texts are short, so that they are the key of what is made of them.
Released = tuple[tuple[int, str, LoadedTables], ...]
NOT_AS_LOADED = "Its tables are not those that were released."


def rules_in_force() -> Rules:
    """The rules to decide by. One query; put together anew only when an edition was released, withdrawn or touched."""
    return _put_together(_released())


def goods_in_force() -> Entries:
    """Every entry of the goods tables in force, by UN number: of the newest table that has it. One query."""
    rules = rules_in_force()
    names = dict.fromkeys(
        edition.goods_table for edition in sorted(rules.editions, key=lambda e: e.valid_from)
    )
    return ChainMap(*(dict(rules.tables[name]) for name in reversed(names)))


def rules_with(edition: RuleEdition) -> Rules:
    """The rules in force as they would be with one edition more. One query."""
    own = (edition.pk, edition.fingerprint, tables_of(edition))
    return _put_together((*(row for row in _released() if row[0] != edition.pk), own))


def rules_without(edition: RuleEdition) -> Rules:
    """The rules in force as they would be with one edition less. One query."""
    return _put_together(tuple(row for row in _released() if row[0] != edition.pk))


def fingerprint_of(editions_csv: str, goods_csv: str) -> str:
    """The same for the same tables, whatever their line ends."""
    parts = ("\n".join(text.strip().splitlines()) for text in (editions_csv, goods_csv))
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


def tables_of(edition: RuleEdition) -> LoadedTables:
    covers = tuple((str(mode), str(first)) for mode, first in edition.covers)
    return LoadedTables(edition.name, edition.editions_csv, edition.goods_csv, covers)


def editions_on_file() -> QuerySet[RuleEdition]:
    """Every loading, the latest first, with who loaded, released and withdrew it. One query."""
    return RuleEdition.objects.select_related("loaded_by", "released_by", "withdrawn_by").order_by(
        "-loaded_at", "-pk"
    )


def _released() -> Released:
    rows = (
        RuleEdition.objects.filter(state=RuleEdition.State.RELEASED)
        .order_by("released_at", "pk")
        .only("name", "editions_csv", "goods_csv", "covers", "fingerprint")
    )
    return tuple((row.pk, row.fingerprint, tables_of(row)) for row in rows)


@lru_cache(maxsize=16)
def _put_together(released: Released) -> Rules:
    sound, faults = [], []
    for _pk, fingerprint, tables in released:
        if fingerprint_of(tables.editions_csv, tables.goods_csv) == fingerprint:
            sound.append(tables)
        else:
            faults += faults_of(tables, NOT_AS_LOADED)
    return put_together(held_rules(), sound).without(faults)
