"""The transport sheet as a tagged PDF (PDF/UA-1, A4): the same objects as the page, handed over as data, never as markup.

One page for a usual unit: what can take it stands line by line, what cannot in running text with what it is short by; goods
are a grid of modes; every reason, condition and source is a numbered note, said once. The letters shrink until all fits, not
below the least that is read with ease; a unit with more to say has a second page.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Sequence, Set
from importlib import resources
from itertools import combinations_with_replacement, product
from typing import Any

import typst
from django.utils.translation import get_language
from django.utils.translation import gettext as _

from fleet.domain.transport.answers import Carried
from readiness.web.transport import LawLine, LawOfMode
from readiness.web.transport_sheet import Sheet, SheetGroup, SheetRow

TEMPLATE = "transport_sheet.typ"
SIZES_PT = (8.0, 7.6, 7.2, 6.9, 6.6, 6.4, 6.3)  # tried until it is one page
SPREAD_PT = 7.2  # when it is none
DIAGRAM_TALL_MM, DIAGRAM_LOW_MM = 44, 22  # the side view, and the views beside it
LETTERS = 56  # of running text in a line of a third of the page, about
BESIDE = 8  # so many lines of what is missing stand beside the diagram
VERIFY = "Verify"  # how the conditions of the law say it themselves
SHORT = {
    Carried.YES: "yes",
    Carried.YES_WITH_CONDITIONS: "cond.",
    Carried.APPROVAL: "appr.",
    Carried.CANNOT_DECIDE: "open",
    Carried.NO: "no",
}


Notes = dict[tuple[str, str], int]


def sheet_pdf(sheet: Sheet, *, now: dt.datetime) -> bytes:
    """The PDF of a sheet, as it was at `now`. Equal sheets of one moment give equal bytes."""
    source = resources.files("readiness.web").joinpath(TEMPLATE).read_bytes()
    made: Any = typst.compile(
        source,
        format="pdf",
        sys_inputs={"data": json.dumps(pdf_data(sheet, now), ensure_ascii=False)},
        pdf_standards="ua-1",
        timestamp=int(now.timestamp()),
    )
    return bytes(made)


def pdf_data(sheet: Sheet, now: dt.datetime) -> dict[str, Any]:
    """What the template prints: text, lists of text and drawings."""
    notes: Notes = {}
    for _pass in ("found as they come", "numbered by their source"):
        notes = _by_source(notes)
        groups = [_group(group, notes) for group in sheet.groups]
        goods = _goods(sheet.laws, notes)
    missing = [{"words": line.words, "source": line.source} for line in sheet.missing]
    holding = [paper for paper in sheet.papers if paper.outcome == "pass"]
    return {
        "title": str(_("Transport sheet %(title)s") % {"title": sheet.title}),
        "author": "Musterwell",
        "lang": (get_language() or "en").partition("-")[0],
        "about": f"{sheet.design}, {sheet.depot}",
        "leaves": str(_("leaves on %(day)s") % {"day": f"{sheet.ship_date:%Y-%m-%d}"}),
        "asked": "; ".join(f"{label}: {value}" for label, value in sheet.asked) + ".",
        "decides": sheet.decides,
        "cautions": list(sheet.cautions),
        "footer": f"{sheet.title}. {sheet.decides} {_('Worked out %(at)s UTC.') % {'at': f'{now:%Y-%m-%d %H:%M}'}}",
        "sizes": list(SIZES_PT),
        "spread": SPREAD_PT,
        "weighed": sheet.weighed,
        "pairs": [*_pairs(sheet.mass[-1:]), *_pairs(sheet.pairs)],
        "mass": [f"{row['label']} {row['value'] or _('not known')}" for row in sheet.mass[:-1]],
        "drawing": _drawing(sheet),
        "columns": _balanced([(group, _height(group)) for group in groups]),
        "laws": [_law(law) for law in sheet.laws],
        "goods": goods,
        "notes": _balanced([(run, _lines(run)) for run in _runs(notes)], in_order=True),
        "missing": missing,
        "missing_beside": sum(1 + len("".join(line.values())) // LETTERS for line in missing) <= BESIDE,
        "papers": [
            {
                "words": paper.words,
                "detail": f"{_('needed for')} {paper.gate}{'; ' + paper.source if paper.source else ''}",
            }
            for paper in sheet.papers
            if paper.outcome != "pass"
        ],
        "papers_held": [{"words": paper.name, "source": paper.source} for paper in holding],
        "not_asked": sheet.not_asked,
        "words": {
            "asked": str(_("Asked:")),
            "measures": str(_("Measures and mass")),
            "takes": str(_("What takes it")),
            "open": str(_("Cannot be decided:")),
            "no": str(_("Cannot take it:")),
            "marks": str(
                _(
                    "cond.: with conditions; appr.: only with an approval. Mass and room are what is left, rounded down; "
                    "below zero: so much is lacking. The small numbers lead to the notes."
                )
            ),
            "law": str(_("What the law says")),
            "aboard": str(_("Aboard")),
            "notes": str(_("Notes: reasons, conditions and sources")),
            "missing": str(_("What is missing")),
            "nothing": str(_("Nothing that was asked.")),
            "papers": str(_("Papers")),
            "held": str(_("Good through the last mission day:")),
            "no_papers": str(_("No certificate is asked of this design.")),
            "not_asked": str(_("Not asked")),
        },
    }


def _by_source(notes: Notes) -> Notes:
    """The same notes numbered anew: those of one source side by side, those without any last."""
    sources = list(dict.fromkeys(source for _words, source in notes))
    order = sorted(notes, key=lambda note: (not note[1], sources.index(note[1])))
    return {note: number for number, note in enumerate(order, start=1)}


def _runs(notes: Notes) -> list[dict[str, Any]]:
    """Notes of one source in one run, with the source at its end; those without any each by itself."""
    runs: list[dict[str, Any]] = []
    for (words, source), number in notes.items():
        if not runs or not source or runs[-1]["source"] != source:
            runs.append({"notes": [], "source": source})
        runs[-1]["notes"].append({"number": str(number), "words": words})
    return runs


def _lines(run: dict[str, Any]) -> int:
    return 1 + (sum(len(note["words"]) + 4 for note in run["notes"]) + len(run["source"])) // LETTERS


def _balanced(pieces: list[tuple[Any, int]], *, in_order: bool = False) -> list[list[Any]]:
    """Pieces with their heights over three columns, the tallest as short as it can be; side by side, or in their order."""
    heights = [height for _piece, height in pieces]
    ways: Iterable[Sequence[int]] = product(range(3), repeat=len(pieces))
    if in_order:
        cuts = combinations_with_replacement(range(len(pieces) + 1), 2)
        ways = ([(n >= one) + (n >= two) for n in range(len(pieces))] for one, two in cuts)

    def tallest(way: Sequence[int]) -> int:
        return max(sum(height for height, at in zip(heights, way, strict=True) if at == n) for n in range(3))

    chosen = min(ways, key=tallest)
    return [[piece for (piece, _height), at in zip(pieces, chosen, strict=True) if at == n] for n in range(3)]


def _pairs(rows: tuple[dict[str, str], ...]) -> list[list[str]]:
    unknown = str(_("not known"))
    return [
        [row["label"], f"{row['value'] or unknown}{' (' + row['note'] + ')' if row.get('note') else ''}"]
        for row in rows
    ]


def _number(notes: Notes, words: str, source: str) -> str:
    """The number of a note, the same for the same words; '' where there is nothing to say."""
    return str(notes.setdefault((words, source), len(notes) + 1)) if words or source else ""


def _numbers(notes: Notes, reasons: Iterable[tuple[str, str]]) -> str:
    found = [_number(notes, *reason) for reason in sorted(reasons)]
    return ",".join(sorted(found, key=int))


def _group(group: SheetGroup, notes: Notes) -> dict[str, Any]:
    left_open = ""
    if group.rows and group.not_asked:
        left_open = str(_("Not asked: %(what)s.") % {"what": group.not_asked})
    common = set.intersection(*(set(row.reasons) for row in group.rows)) if len(group.rows) > 1 else set()
    rows = [(row.outcome, _row(row, common, notes)) for row in group.rows]
    passing = [row for outcome, row in rows if outcome == "pass"]
    return {
        "title": group.title if group.rows else f"{group.title}: {group.said}",
        "notes": _numbers(notes, common),
        "one_word": passing[0]["long"] if len({row["word"] for row in passing}) == 1 else "",
        "columns": [str(_("mass")), str(_("room"))],
        "rows": passing,
        "open": _named_together([row for outcome, row in rows if outcome == "cannot_decide"]),
        "no": _named_together([row for outcome, row in rows if outcome == "fail"]),
        "said": left_open,
    }


def _named_together(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What is short by nothing and has the same notes is named together."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for row in rows:
        key = row["notes"], row["name"] if row["short"] else ""
        if key in found:
            found[key]["name"] += f", {row['name']}"
        else:
            found[key] = dict(row)
    return list(found.values())


def _row(row: SheetRow, common: Set[tuple[str, str]], notes: Notes) -> dict[str, Any]:
    short = [
        said
        for said, lacks in ((row.mass_signed, row.mass_short), (row.room_signed, row.room_short))
        if lacks
    ]
    return {
        "name": row.name,
        "word": str(_(SHORT[row.carried])),
        "long": row.word,
        "mass": row.mass_signed,
        "room": row.room_signed,
        "short": ", ".join(short),
        "notes": _numbers(notes, [reason for reason in row.reasons if reason not in common]),
    }


def _height(group: dict[str, Any]) -> int:
    """About how many lines a group takes."""
    runs = [
        group["said"],
        *(" ".join(row["name"] + row["short"] + "  " for row in group[key]) for key in ("open", "no")),
    ]
    names = sum(1 + len(row["name"]) // (38 if group["one_word"] else 32) for row in group["rows"])
    return 2 + names + sum(1 + len(run) // LETTERS for run in runs if run)


def _law(law: LawOfMode) -> dict[str, Any]:
    return {
        "title": law.title,
        "verdict": law.verdict,
        "bad": law.outcome != "pass",
        "edition": f"{law.edition}{'. ' + law.apart if law.apart else ''}",
    }


def _goods(laws: tuple[LawOfMode, ...], notes: Notes) -> list[dict[str, Any]]:
    """What is aboard, a line each, with its answer in every mode; what is worst in some mode first."""
    found: dict[tuple[str, str], dict[int, LawLine]] = {}
    for place, law in enumerate(laws):
        for line in law.lines:
            found.setdefault((line.key, line.label), {})[place] = line
    order = {"fail": 0, "cannot_decide": 1, "pass": 2}
    told = sorted(found.items(), key=lambda pair: min(order[line.outcome] for line in pair[1].values()))
    rows = []
    for (_key, label), lines in told:
        un = _shared(line.un for line in lines.values())
        cells = [_cell(lines.get(place), un, notes) for place in range(len(laws))]
        rows.append({"label": label, "un": un, "cells": cells})
    return rows


def _shared(words: Iterable[str]) -> str:
    """The one word that is said of it in every mode that says anything; '' where they differ."""
    found = {word for word in words if word}
    return found.pop() if len(found) == 1 else ""


def _cell(line: LawLine | None, un: str, notes: Notes) -> dict[str, Any]:
    if line is None:
        return {"words": "–", "un": "", "bad": False, "notes": ""}
    parts = [f"{line.provision}:"] if line.provision else []
    if line.outcome != "pass":
        parts.append(line.sentence)
    if line.missing:
        parts.append(str(_("Missing: %(what)s.") % {"what": line.missing}))
    parts += [f"{condition}." for condition in line.conditions]
    parts += [str(_("Would turn it round: %(way)s") % {"way": way}) for way in line.ways]
    if line.verify and not any(condition.startswith(VERIFY) for condition in line.conditions):
        parts.append(str(_("Verify before use: this rests on memory.")))
    # what passes rests on the provision that is named already
    source = "" if line.outcome == "pass" and line.provision else line.source
    return {
        "words": line.verdict,
        "un": line.un if line.un != un else "",
        "bad": line.outcome != "pass",
        "notes": _number(notes, " ".join(parts), source),
    }


def _drawing(sheet: Sheet) -> dict[str, Any]:
    drawing = sheet.drawing
    if drawing is None:
        words = str(_("No packed form on file: nothing can be drawn."))
        empty: list[Any] = []
        title = str(_("Lifting diagram"))
        return {
            "title": title,
            "views": empty,
            "columns": empty,
            "rows": empty,
            "notes": [words],
            "basis": empty,
            "tall": 0,
            "low": 0,
        }
    notes = list(drawing.notes)
    if drawing.missing:
        notes.append(
            str(_("Not drawn, for it is not known: %(what)s.") % {"what": ", ".join(drawing.missing)})
        )
    return {
        "title": drawing.title,
        "views": [
            {"title": view.title, "alt": f"{view.title}. {view.description}", "svg": view.standalone}
            for view in drawing.views
        ],
        "columns": [str(_("Point")), *drawing.columns] if drawing.rows else [],
        "rows": [[row.name, *row.cells] for row in drawing.rows],
        "notes": notes,
        "basis": list(drawing.basis),
        "tall": DIAGRAM_TALL_MM,
        "low": DIAGRAM_LOW_MM,
    }
