"""Transport sheets side by side: one row a fact, one column a packed form, and which rows differ."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.utils.translation import gettext as _

from readiness.web.transport_sheet import Sheet, SheetGroup

MOST_COLUMNS = 6


@dataclass(frozen=True)
class Cell:
    """What one sheet says in one row. `outcome` draws the mark of the answer where it is one."""

    text: str
    outcome: str = ""
    notes: tuple[str, ...] = ()
    source: str = ""

    @property
    def plain(self) -> str:
        parts = [self.text, *self.notes, f"({self.source})" if self.source else ""]
        return " ".join(part for part in parts if part)


@dataclass(frozen=True)
class CompareRow:
    """One fact of every column; `group` is set on the first row of a group."""

    label: str
    cells: tuple[Cell, ...]
    group: str = ""

    @property
    def differs(self) -> bool:
        return len({(cell.text, cell.outcome, cell.notes) for cell in self.cells}) > 1


def compare_rows(sheets: Sequence[Sheet], *, only_differing: bool = False) -> list[CompareRow]:
    """All rows in the order of the sheet; with `only_differing` those in which the columns say different things."""
    parts: list[tuple[str, list[CompareRow]]] = [
        (str(_("Class")), [_row(_("Home"), (Cell(sheet.depot) for sheet in sheets))]),
        (str(_("Mass")), _mass(sheets)),
        (str(_("Measures")), _measures(sheets)),
        (str(_("Lifting")), _lifting(sheets)),
        (str(_("What takes it best")), _conveyances(sheets)),
        (str(_("What the law says")), _laws(sheets)),
        (str(_("Papers and what is missing")), _missing(sheets)),
    ]
    parts[0][1].insert(0, _row(_("Design"), (Cell(sheet.design) for sheet in sheets)))
    rows: list[CompareRow] = []
    for title, found in parts:
        kept = [row for row in found if row.differs or not only_differing]
        rows += [CompareRow(row.label, row.cells, title if n == 0 else "") for n, row in enumerate(kept)]
    return rows


def _row(label: str, cells: Iterable[Cell]) -> CompareRow:
    return CompareRow(str(label), tuple(cells))


def _known(value: str) -> Cell:
    return Cell(value) if value else Cell(str(_("not known")))


def _mass(sheets: Sequence[Sheet]) -> list[CompareRow]:
    return [
        _row(_("Packed mass"), (_known(sheet.packed_mass) for sheet in sheets)),
        _row(_("By which weighing"), (_known(sheet.weighed) for sheet in sheets)),
    ]


def _measures(sheets: Sequence[Sheet]) -> list[CompareRow]:
    """The measures that any of the forms has; one that a form does not have stands empty there."""
    labels = list(dict.fromkeys(pair["label"] for sheet in sheets for pair in sheet.pairs))
    said = [{pair["label"]: pair for pair in sheet.pairs} for sheet in sheets]
    return [_row(label, (_measure(pairs.get(label)) for pairs in said)) for label in labels]


def _measure(pair: dict[str, str] | None) -> Cell:
    if pair is None:
        return Cell("–")
    cell = _known(pair["value"])
    return Cell(cell.text, notes=(pair["note"],) if pair.get("note") else ())


def _lifting(sheets: Sequence[Sheet]) -> list[CompareRow]:
    return [_row(_("Hardest leg"), (_leg(sheet) for sheet in sheets))]


def _leg(sheet: Sheet) -> Cell:
    """The leg with least to spare, or what stands in the way of saying it."""
    drawing = sheet.drawing
    if drawing is None:
        return Cell("–")
    if drawing.hardest is None:
        missing = (
            str(_("Not known: %(what)s.") % {"what": ", ".join(drawing.missing)}) if drawing.missing else ""
        )
        return Cell(
            str(_("cannot decide")),
            "cannot_decide",
            tuple(note for note in (*drawing.notes, missing) if note),
        )
    row = drawing.hardest
    words = ", ".join(f"{label.lower()} {value}" for label, value in row.labelled)
    return Cell(f"{row.name}: {words}", "fail" if row.failing else "", drawing.notes)


def _conveyances(sheets: Sequence[Sheet]) -> list[CompareRow]:
    keys = list(dict.fromkeys((group.key, group.title) for sheet in sheets for group in sheet.groups))
    by_key = [{group.key: group for group in sheet.groups} for sheet in sheets]
    return [_row(title, (_best(groups.get(key)) for groups in by_key)) for key, title in keys]


def _best(group: SheetGroup | None) -> Cell:
    if group is None:
        return Cell("–")
    if not group.rows:
        return Cell(group.said)
    best = group.best
    notes = [", ".join(part for part in (best.mass, best.room) if part), *best.why]
    if len(group.rows) > 1:
        notes.append(f"{group.said}.")
    return Cell(f"{best.word}: {best.name}", best.outcome, tuple(note for note in notes if note), best.source)


def _laws(sheets: Sequence[Sheet]) -> list[CompareRow]:
    titles = list(dict.fromkeys(law.title for sheet in sheets for law in sheet.laws))
    by_title = [{law.title: law for law in sheet.laws} for sheet in sheets]
    rows = []
    for title in titles:
        cells = []
        for laws in by_title:
            law = laws[title]
            worst = law.lines[0] if law.lines and law.outcome != "pass" else None
            notes = (f"{worst.label}: {worst.sentence}",) if worst else ()
            cells.append(Cell(law.verdict, law.outcome, notes, worst.source if worst else law.edition))
        rows.append(_row(title, cells))
    return rows


def _missing(sheets: Sequence[Sheet]) -> list[CompareRow]:
    def papers(sheet: Sheet) -> Cell:
        wanting = tuple(paper.words for paper in sheet.papers if paper.outcome != "pass")
        if not sheet.papers:
            return Cell(str(_("none asked")))
        if not wanting:
            return Cell(str(_("all hold")), "pass")
        lapsed = any(paper.outcome == "fail" for paper in sheet.papers)
        return Cell(str(_("not all hold")), "fail" if lapsed else "cannot_decide", wanting)

    def missing(sheet: Sheet) -> Cell:
        return Cell(str(len(sheet.missing)), notes=tuple(line.words for line in sheet.missing))

    return [
        _row(_("Papers"), (papers(sheet) for sheet in sheets)),
        _row(_("Missing facts"), (missing(sheet) for sheet in sheets)),
        _row(_("Not asked"), (Cell(sheet.not_asked) for sheet in sheets)),
    ]
