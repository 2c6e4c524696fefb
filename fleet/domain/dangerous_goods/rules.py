"""The rules in force: the editions held and the goods tables they name, shipped ones and loaded ones."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache
from itertools import groupby

from fleet.domain.dangerous_goods.editions import Edition, Editions, held_editions, line_of, parse_editions
from fleet.domain.dangerous_goods.entries import Entries, held_entries, parse_entries
from fleet.domain.dangerous_goods.words import Mode
from fleet.lib.errors import DomainError

Rows = Iterable[Mapping[str, str]]


@dataclass(frozen=True, slots=True)
class Fault:
    """A released edition that cannot be used: its mode cannot be decided from `first_day` on (None: on any day)."""

    mode: Mode
    first_day: date | None
    name: str
    sentence: str

    def covers(self, mode: Mode, day: date) -> bool:
        return mode is self.mode and (self.first_day is None or day >= self.first_day)


@dataclass(frozen=True, slots=True)
class Rules:
    """Editions ordered by mode and first day, and the goods tables by the name an edition gives."""

    editions: Editions
    tables: Mapping[str, Entries]
    faults: tuple[Fault, ...] = ()

    def fault_on(self, mode: Mode, day: date) -> Fault | None:
        """Why nothing is held for a day although an edition for it was released; None: no such thing."""
        return next((fault for fault in self.faults if fault.covers(mode, day)), None)

    def ends_on(self, mode: Mode) -> date | None:
        """The last day for which an edition of a mode is held; None: a running text. No edition: the first day there is."""
        ends = [edition.valid_to for edition in self.editions if edition.mode == mode]
        if not ends:
            return date.min
        return None if None in ends else max(end for end in ends if end is not None)

    def without(self, faults: Iterable[Fault]) -> Rules:
        """These rules with nothing held on the days that faults cover: an older text must not stand for them."""
        found = tuple(faults)
        kept = []
        for edition in self.editions:
            days = [fault.first_day for fault in found if fault.mode is edition.mode]
            if None in days:
                continue
            first = min((day for day in days if day is not None), default=None)
            if first is not None and edition.valid_from >= first:
                continue
            if first is not None and (edition.valid_to is None or edition.valid_to >= first):
                edition = replace(edition, valid_to=first - timedelta(days=1))
            kept.append(edition)
        return Rules(tuple(kept), self.tables, (*self.faults, *found))

    def with_loaded(self, editions: Rows, goods: Mapping[str, Rows]) -> Rules:
        """These rules and loaded editions after them; `goods` are the rows of loaded tables by name.

        The first loaded edition of a mode begins the day after the last one held ends. A held text without end is ended
        on the day before. Raises DomainError for what cannot be read, overlaps, leaves days out or names no goods table.
        """
        loaded = parse_editions(editions)
        if not loaded:
            raise DomainError("edition.empty", "The table of editions has no line. Add the edition.")
        tables = {**self.tables, **{name: self._table(name, rows) for name, rows in goods.items()}}
        held = list(self.editions)
        keys = {edition.key for edition in held}
        for edition in loaded:
            if edition.key in keys:
                raise _refused(edition, "its key is already held. Give it another key")
            if edition.goods_table not in tables:
                raise _refused(
                    edition, f"no goods table '{edition.goods_table}' is held. Load it with the edition"
                )
            keys.add(edition.key)
        for _mode, group in groupby(loaded, key=lambda edition: edition.mode):
            append_editions(held, list(group))
        return replace(
            self,
            editions=tuple(sorted(held, key=lambda edition: (edition.mode, edition.valid_from))),
            tables=tables,
        )

    def _table(self, name: str, rows: Rows) -> Entries:
        if name in self.tables:
            raise DomainError(
                "goods_table.held", "A goods table '{name}' is already held. Give it another name.", name=name
            )
        kept = list(rows)
        entries = parse_entries(kept)
        for place, row in enumerate(kept, start=2):
            for columns in (("class",), ("pax_pi", "pax_max"), ("cao_pi", "cao_max")):
                if not any(row[column].strip() for column in columns):
                    raise DomainError(
                        "goods_table.empty_cell",
                        "Goods table, line {line}, column '{column}': the cell is empty. Write the class or the limit.",
                        line=line_of(row, place),
                        column=columns[-1],
                    )
        return entries


@cache
def held_rules() -> Rules:
    """The rules shipped with the product."""
    editions = held_editions()
    return Rules(editions, {name: held_entries(name) for name in {e.goods_table for e in editions}})


def append_editions(held: list[Edition], loaded: list[Edition]) -> None:
    """Adds editions of one mode after those held. Raises DomainError where they do not follow on."""
    first = loaded[0]
    last = max((e for e in held if e.mode == first.mode), key=lambda e: e.valid_from, default=None)
    if last is not None and last.valid_to is None and first.valid_from > last.valid_from:
        held[held.index(last)] = replace(last, valid_to=first.valid_from - timedelta(days=1))
    elif last is not None and (
        last.valid_to is None or first.valid_from != last.valid_to + timedelta(days=1)
    ):
        day = (last.valid_to or last.valid_from) + timedelta(days=1)
        raise _refused(first, f"'{last.key}' is held before it. Begin on {day.isoformat()}")
    held.extend(loaded)


def _refused(edition: Edition, why: str) -> DomainError:
    return DomainError(
        "edition.refused",
        "{mode}: the edition '{key}' is refused: {why}.",
        mode=edition.mode,
        key=edition.key,
        why=why,
    )
