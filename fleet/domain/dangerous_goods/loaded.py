"""Tables that the owner loads: what is wrong with them, said all at once, and how released ones join the rules held.

An edition released and then not readable must not leave an older text standing for its days: its mode is cut off there.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from io import StringIO
from typing import TypeVar

from fleet.domain.dangerous_goods import editions as edition_table
from fleet.domain.dangerous_goods import entries as goods_table
from fleet.domain.dangerous_goods.editions import Edition, line_of, parse_edition
from fleet.domain.dangerous_goods.entries import Entries, Entry, parse_entry
from fleet.domain.dangerous_goods.rules import Fault, Rules, append_editions
from fleet.domain.dangerous_goods.words import Mode
from fleet.lib.errors import DomainError
from fleet.lib.tables import Row, read_table_text

T = TypeVar("T")
EDITIONS, GOODS = "editions", "goods"
FAULTS_SHOWN = 40
# Rules that come in editions with a last day; the American text runs on and is amended.
ENDING = (Mode.AIR, Mode.ROAD, Mode.SEA)
# Numbers given out so far lie well within these.
UN_FIRST, UN_LAST = 4, 3999
GROUPS = ("", "I", "II", "III")
TRANSPORT_CATEGORIES = ("", "-", "0", "1", "2", "3", "4", "Not subject")
_CLASS = re.compile(r"[1-9](\.[1-9][A-Z]?)?")


class TableFaults(DomainError):
    """Tables that cannot be loaded: every fault found as one sentence with line and column."""

    def __init__(self, sentences: Sequence[str]) -> None:
        more = len(sentences) - FAULTS_SHOWN
        self.sentences = (*sentences[:FAULTS_SHOWN], *([f"… and {more} more."] if more > 0 else []))
        super().__init__("edition.tables", "{faults}", faults=" ".join(self.sentences))


@dataclass(frozen=True, slots=True)
class LoadedTables:
    """One loading as it is kept: what people call it, both tables as text, and its (mode, first day) apart from them."""

    name: str
    editions_csv: str
    goods_csv: str = ""
    covers: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Checked:
    """What a loading holds: its own editions, the tables to keep of it (own lines only), the rules with it, and the UN
    numbers that its goods table lacks or has anew.
    """

    editions: tuple[Edition, ...]
    tables: LoadedTables
    rules: Rules
    gone: tuple[str, ...]
    new: tuple[str, ...]


def check_tables(held: Rules, tables: LoadedTables) -> Checked:
    """Everything about tables that are to join the rules held. Raises TableFaults with all that is wrong.

    Lines that are held word for word are passed over: the table in use with a line more can be loaded as it is.
    """
    faults: list[str] = []
    rows = _rows(tables.editions_csv, EDITIONS, edition_table.COLUMNS, faults)
    goods = _rows(tables.goods_csv, GOODS, goods_table.COLUMNS, faults) if tables.goods_csv.strip() else []
    found = _each(rows, parse_edition, faults)
    entries = _each(goods, parse_entry, faults)
    faults += _faults_of_goods(goods, entries)
    here = set(held.editions)
    own = [(row, edition) for row, edition in zip(rows, found, strict=True) if edition not in here]
    faults += [
        f"Edition table, line {line_of(row, 0)}, column 'valid_to': {edition.mode.value} comes in editions with a "
        "last day. Write it."
        for row, edition in own
        if edition is not None and edition.mode in ENDING and edition.valid_to is None
    ]
    if tables.goods_csv.strip() and not goods and not faults:
        faults.append("The table of goods has no line. Add its lines, or leave the file away.")
    if faults:
        raise TableFaults(faults)
    if rows and not own:
        raise TableFaults(
            ["Every line of the table of editions is held already. Add the line of the next edition."]
        )
    editions = tuple(edition for _row, edition in own if edition is not None)
    try:
        for edition in editions:
            _check_sound(held, edition.mode)
        name = _name_of_goods(held, editions, bool(goods))
        rules = held.with_loaded([row for row, _edition in own], {name: goods} if name else {})
    except DomainError as error:
        raise TableFaults([error.sentence]) from error
    covers = tuple((edition.mode.value, edition.valid_from.isoformat()) for edition in editions)
    kept = LoadedTables(tables.name, editions_text(editions), tables.goods_csv if name else "", covers)
    return Checked(editions, kept, rules, *_numbers(held, editions, rules))


def editions_text(editions: Iterable[Edition]) -> str:
    """A table of editions as comma-separated text, as it is loaded."""
    out = StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(edition_table.COLUMNS)
    for e in editions:
        flags = ["yes" if flag else "no" for flag in (e.soc_packed_with_mandatory, e.soc_vehicle_mandatory)]
        last = e.valid_to.isoformat() if e.valid_to else ""
        days = [e.valid_from.isoformat(), last]
        table.writerow([e.mode.value, e.key, e.name, *days, *flags, e.goods_table, e.source, e.confidence])
    return out.getvalue()


def goods_text(table: Entries) -> str:
    """A goods table as comma-separated text, as it is loaded."""
    out = StringIO()
    lines = csv.writer(out, lineterminator="\n")
    lines.writerow(goods_table.COLUMNS)
    for entries in table.values():
        for e in entries:
            air = [e.pax_pi, e.pax_text, e.cao_pi, e.cao_text]
            road = [e.transport_category, e.tunnel_code, e.provisions]
            what = [e.full_un, e.name, e.hazard_class, e.subsidiary, e.packing_group]
            lines.writerow([*what, *air, *road, e.source, e.confidence])
    return out.getvalue()


def _check_sound(held: Rules, mode: Mode) -> None:
    fault = next((fault for fault in held.faults if fault.mode is mode), None)
    if fault is not None:
        raise DomainError(
            "edition.on_a_fault",
            "{mode}: the released edition '{name}' cannot be used ({why}). Withdraw it first.",
            mode=mode.value,
            name=fault.name,
            why=fault.sentence,
        )


def _rows(text: str, name: str, columns: Iterable[str], faults: list[str]) -> list[Row]:
    """The lines of a table; of one that is none, nothing, and its sentences among the faults."""
    try:
        return _read(text, name, columns)
    except TableFaults as error:
        faults += error.sentences
        return []


def _read(text: str, name: str, columns: Iterable[str]) -> list[Row]:
    try:
        rows = read_table_text(text, name)
    except DomainError as error:
        raise TableFaults([error.sentence]) from error
    missing = [column for column in columns if rows and column not in rows[0]]
    if missing:
        raise TableFaults(
            [f"Table {name}, line 1, columns missing: {', '.join(missing)}. Add them as in the template."]
        )
    return rows


def _each(rows: Sequence[Row], parse: Callable[[Row, int], T], faults: list[str]) -> list[T | None]:
    """Every row parsed; what cannot be used is None, and its sentence among the faults."""
    found: list[T | None] = []
    for place, row in enumerate(rows, start=2):
        try:
            found.append(parse(row, line_of(row, place)))
        except DomainError as error:
            faults.append(error.sentence)
            found.append(None)
    return found


def _faults_of_goods(rows: Sequence[Row], entries: Sequence[Entry | None]) -> list[str]:
    faults = []
    seen: dict[tuple[str, ...], int] = {}
    for row, entry in zip(rows, entries, strict=True):
        line = line_of(row, 0)

        def bad(column: str, mend: str, line: int = line, row: Mapping[str, str] = row) -> None:
            faults.append(
                f"Goods table, line {line}, column '{column}': '{row[column]}' cannot be used. {mend}"
            )

        if entry is None:
            continue
        if not UN_FIRST <= int(entry.un) <= UN_LAST:
            bad("un_number", f"There is no such number: they run from {UN_FIRST:04} to {UN_LAST}.")
        if not entry.name.strip():
            bad("proper_shipping_name", "Write the proper shipping name.")
        if not _CLASS.fullmatch(entry.hazard_class.strip()):
            bad("class", "Write the class as 8 or 5.1.")
        if entry.packing_group not in GROUPS:
            bad("packing_group", "Write I, II, III or nothing.")
        if entry.transport_category not in TRANSPORT_CATEGORIES:
            bad("adr_transport_category", "Write 0 to 4, '-' or 'Not subject'.")
        if entry.cao_limit < entry.pax_limit:
            bad("cao_max", f"A cargo aircraft takes no less than a passenger aircraft ('{entry.pax_text}').")
        key = (entry.un, entry.packing_group, entry.hazard_class, entry.subsidiary)
        if key in seen:
            bad("un_number", f"It is in line {seen[key]} already, with the same class and packing group.")
        seen[key] = line
    return faults


def _name_of_goods(held: Rules, editions: Sequence[Edition], goods: bool) -> str:
    """The name of the loaded goods table: the one that the editions give and nobody holds yet; empty without one."""
    names = list(dict.fromkeys(e.goods_table for e in editions if e.goods_table not in held.tables))
    if len(names) > 1:
        raise DomainError(
            "edition.two_tables",
            "The editions name several goods tables that are not held: {names}. Load them one after the other.",
            names=", ".join(names),
        )
    if goods and not names:
        raise DomainError(
            "edition.table_not_named",
            "No edition uses the table of goods: write a new name for it in the column 'goods_table', or leave the file "
            "away.",
        )
    return names[0] if goods and names else ""


def _numbers(
    held: Rules, editions: Sequence[Edition], rules: Rules
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """UN numbers that a mode loses and gains with its next goods table."""
    gone: set[str] = set()
    new: set[str] = set()
    for edition in editions:
        before = [e for e in held.editions if e.mode == edition.mode and e.valid_from < edition.valid_from]
        if before:
            old, now = set(held.tables[before[-1].goods_table]), set(rules.tables[edition.goods_table])
            gone |= old - now
            new |= now - old
    return tuple(sorted(gone)), tuple(sorted(new))


def put_together(base: Rules, released: Iterable[LoadedTables]) -> Rules:
    """The shipped rules and the released ones, mode by mode in the order of their first days.

    Fails closed: where a released edition cannot be read, or does not follow on, its mode holds nothing from its first day
    on (from an unknown day: on no day), and `faults` says why.
    """
    faults: list[Fault] = []
    tables: dict[str, Entries] = dict(base.tables)
    editions: list[tuple[Edition, str]] = []
    for loading in released:
        try:
            own, goods = _own_tables(base, loading)
        except DomainError as error:
            faults += faults_of(loading, error.sentence)
            continue
        taken = sorted(set(goods) & set(tables))
        if taken:
            faults += [
                Fault(e.mode, e.valid_from, loading.name, f"A goods table '{taken[0]}' is held already.")
                for e in own
            ]
            continue
        tables |= goods
        editions += [(edition, loading.name) for edition in own]
    held = list(base.editions)
    for edition, name in sorted(editions, key=lambda found: (found[0].mode, found[0].valid_from)):
        try:
            _check_joins(held, edition, tables)
            append_editions(held, [edition])
        except DomainError as error:
            faults.append(Fault(edition.mode, edition.valid_from, name, error.sentence))
    held.sort(key=lambda edition: (edition.mode, edition.valid_from))
    return Rules(tuple(held), tables).without(faults)


def _own_tables(base: Rules, loading: LoadedTables) -> tuple[list[Edition], dict[str, Entries]]:
    rows = _read(loading.editions_csv, EDITIONS, edition_table.COLUMNS)
    goods = _read(loading.goods_csv, GOODS, goods_table.COLUMNS) if loading.goods_csv.strip() else []
    if not rows:
        raise DomainError("edition.empty", "The table of editions has no line. Add the edition.")
    editions = [parse_edition(row, line_of(row, 0)) for row in rows]
    here = set(base.editions)
    own = [edition for edition in editions if edition not in here]
    if not goods:
        return own, {}
    names = {edition.goods_table for edition in own} - set(base.tables)
    if own and not names:
        raise DomainError("edition.table_held", "The product holds a goods table of that name by now.")
    return own, {name: goods_table.parse_entries(goods) for name in names}


def _check_joins(held: Sequence[Edition], edition: Edition, tables: Mapping[str, Entries]) -> None:
    if any(other.key == edition.key for other in held):
        raise DomainError("edition.key_held", "An edition '{key}' is held already.", key=edition.key)
    if edition.goods_table not in tables:
        raise DomainError("edition.no_table", "No goods table '{name}' is held.", name=edition.goods_table)


def faults_of(loading: LoadedTables, sentence: str) -> list[Fault]:
    """What a loading that cannot be used takes along: its modes from their first days on.

    These are known from what was kept of them and from the lines that can still be made out; where nothing can, all modes
    are meant, on every day.
    """
    try:
        rows = read_table_text(loading.editions_csv, EDITIONS)
    except DomainError:
        rows = []
    lines = [(row.get("mode", ""), row.get("valid_from", "")) for row in rows]
    known = dict.fromkeys(
        (mode, _day(first)) for word, first in (*loading.covers, *lines) for mode in _modes(word)
    )
    found = [Fault(mode, first, loading.name, sentence) for mode, first in known]
    return found or [Fault(mode, None, loading.name, sentence) for mode in Mode]


def _modes(word: str) -> tuple[Mode, ...]:
    return (Mode(word),) if word in Mode.__members__ else tuple(Mode)


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        return None
