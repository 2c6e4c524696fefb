"""The transport sheet as a tagged PDF (PDF/UA-1, A4): the same objects as the page, handed over as data, never as markup."""

from __future__ import annotations

import datetime as dt
import json
from importlib import resources
from typing import Any

import typst
from django.utils.translation import get_language
from django.utils.translation import gettext as _

from fleet.domain.transport.answers import Carried
from readiness.web.transport import LawLine, LawOfMode
from readiness.web.transport_sheet import Sheet, SheetRow

TEMPLATE = "transport_sheet.typ"
DIAGRAM_TALL_MM = 52
SHORT = {
    Carried.YES: "yes",
    Carried.YES_WITH_CONDITIONS: "cond.",
    Carried.APPROVAL: "appr.",
    Carried.CANNOT_DECIDE: "open",
    Carried.NO: "no",
}


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
    notes: dict[tuple[tuple[str, ...], str], int] = {}
    groups = [_group(group, notes) for group in sheet.groups]
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
        "weighed": sheet.weighed,
        "mass": _pairs(sheet.mass),
        "pairs": _pairs(sheet.pairs),
        "drawing": _drawing(sheet),
        "columns": _balanced([(group, len(group["rows"]) + 3) for group in groups]),
        "notes": _balanced(
            [
                ({"number": str(number), "words": " ".join(why), "source": source}, 1)
                for (why, source), number in notes.items()
            ],
            in_order=True,
        ),
        "laws": [_law(law) for law in sheet.laws],
        "missing": [{"words": line.words, "source": line.source} for line in sheet.missing],
        "papers": [
            {
                "words": paper.words,
                "bad": paper.outcome != "pass",
                "detail": f"{_('needed for')} {paper.gate}{'; ' + paper.source if paper.source else ''}",
            }
            for paper in sheet.papers
        ],
        "not_asked": sheet.not_asked,
        "words": {
            "asked": str(_("Asked:")),
            "measures": str(_("Measures and mass")),
            "takes": str(_("What takes it")),
            "marks": str(
                _(
                    "yes: can take it; cond.: with conditions; appr.: only with an approval; open: cannot be decided; "
                    "no: cannot. Margins are what is left, rounded down; below zero: so much is lacking. "
                    "The numbers lead to the reasons:"
                )
            ),
            "law": str(_("What the law says")),
            "mode": str(_("Mode")),
            "answer": str(_("Answer")),
            "why": str(_("Why, and on what conditions")),
            "missing": str(_("What is missing")),
            "nothing": str(_("Nothing that was asked.")),
            "papers": str(_("Papers, good through the last mission day")),
            "no_papers": str(_("No certificate is asked of this design.")),
            "not_asked": str(_("Not asked")),
        },
    }


def _balanced(pieces: list[tuple[Any, int]], *, in_order: bool = False) -> list[list[Any]]:
    """Pieces with their heights over three columns of about one height; each to the shortest, or in their order."""
    columns: list[list[Any]] = [[], [], []]
    heights = [0, 0, 0]
    whole, place = sum(height for _piece, height in pieces), 0
    for piece, height in pieces:
        if in_order:
            place = min(2, int(3 * sum(heights) / whole))
        else:
            place = heights.index(min(heights))
        columns[place].append(piece)
        heights[place] += height
    return columns


def _pairs(rows: tuple[dict[str, str], ...]) -> list[list[str]]:
    unknown = str(_("not known"))
    return [
        [row["label"], f"{row['value'] or unknown}{' (' + row['note'] + ')' if row.get('note') else ''}"]
        for row in rows
    ]


def _group(group: Any, notes: dict[tuple[tuple[str, ...], str], int]) -> dict[str, Any]:
    left_open = str(_("Not asked: %(what)s.") % {"what": group.not_asked}) if group.not_asked else ""
    return {
        "title": f"{group.title}: {group.said}",
        "columns": ["", "", str(_("mass")), str(_("room")), ""],
        "rows": [_row(row, notes) for row in group.rows],
        "said": left_open,
    }


def _row(row: SheetRow, notes: dict[tuple[tuple[str, ...], str], int]) -> dict[str, Any]:
    number = notes.setdefault((row.why, row.source), len(notes) + 1)
    return {
        "name": row.name,
        "word": str(_(SHORT[row.carried])),
        "bad": row.carried is Carried.NO,
        "mass": row.mass_signed,
        "room": row.room_signed,
        "notes": str(number),
    }


def _law(law: LawOfMode) -> dict[str, Any]:
    return {
        "title": law.title,
        "verdict": law.verdict,
        "bad": law.outcome != "pass",
        "edition": f"{law.edition}{'. ' + law.apart if law.apart else ''}",
        "lines": [_law_line(line) for line in law.lines],
    }


def _law_line(line: LawLine) -> dict[str, str]:
    parts = [
        f"{line.verdict}{', ' + line.un if line.un else ''}{', ' + line.provision if line.provision else ''}."
    ]
    if line.outcome != "pass":
        parts.append(line.sentence)
    if line.missing:
        parts.append(str(_("Missing: %(what)s.") % {"what": line.missing}))
    parts += [f"{condition}." for condition in line.conditions]
    parts += [str(_("Would turn it round: %(way)s") % {"way": way}) for way in line.ways]
    if line.verify:
        parts.append(str(_("Verify before use: this rests on memory.")))
    # what passes rests on the provision that is named already
    source = "" if line.outcome == "pass" and line.provision else line.source
    return {
        "label": f"{line.label}:",
        "words": " ".join(part for part in parts if part),
        "source": source,
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
    }
