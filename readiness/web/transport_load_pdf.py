"""One load as a tagged PDF (PDF/UA-1, A4): the drawings to scale, what stands where, limits, law; data, never markup."""

from __future__ import annotations

import datetime as dt
import json
from importlib import resources
from typing import Any

import typst
from django.utils.translation import get_language
from django.utils.translation import gettext as _

from fleet.lib.quantities import System
from fleet.web.limits import need_words
from fleet.web.load_drawing import on_paper, plan_view, side_view
from readiness.web.transport_load import LoadLaw, LoadPlan, RulingWords
from readiness.web.transport_load_words import limit_cells, place_words, said_of_number
from readiness.web.transport_sheet import CAUTIONS, DECIDES

TEMPLATE = "transport_load.typ"
TALL_MM = 50  # a drawing, at most


def load_pdf(plan: LoadPlan, *, now: dt.datetime, system: System = "si") -> bytes:
    """The PDF of one load, as it was at `now`. Equal plans of one moment give equal bytes."""
    source = resources.files("readiness.web").joinpath(TEMPLATE).read_bytes()
    made: Any = typst.compile(
        source,
        format="pdf",
        sys_inputs={"data": json.dumps(load_data(plan, now, system), ensure_ascii=False)},
        pdf_standards="ua-1",
        timestamp=int(now.timestamp()),
    )
    return bytes(made)


def load_data(plan: LoadPlan, now: dt.datetime, system: System) -> dict[str, Any]:
    """What the template prints: text, lists of text and drawings."""
    day = f"{plan.question.ship_date:%Y-%m-%d}"
    title = str(_("One load: %(name)s") % {"name": plan.name})
    mass, gap = need_words(plan.placement.mass_kg, "kg", system), need_words(plan.gap_mm, "mm", system)
    along = _("from the front") if plan.from_the_front else _("from the far end")
    at = f"{now:%Y-%m-%d %H:%M}"
    return {
        "title": title,
        "author": "Musterwell",
        "lang": (get_language() or "en").partition("-")[0],
        "leaves": str(_("leaves on %(day)s") % {"day": day}),
        "said": said_of_number(plan),
        "whole": plan.word,
        "bad": plan.outcome != "pass",
        "about": str(_("%(mass)s together, gap %(gap)s") % {"mass": mass, "gap": gap}),
        "decides": str(DECIDES),
        "cautions": [
            str(_("Nothing is stacked, and lashings are not placed.")),
            *(str(words) for words in CAUTIONS),
        ],
        "footer": f"{title}, {day}. {DECIDES} {_('Worked out %(at)s UTC.') % {'at': at}}",
        "views": _views(plan, system) if plan.stowed else [],
        "tall": TALL_MM,
        "columns": [
            str(words)
            for words in (
                _("No."),
                _("What"),
                along,
                _("from the left"),
                _("along × across × high"),
                _("mass"),
                _("answer"),
            )
        ],
        "rows": [
            {
                "cells": [
                    str(row.number),
                    row.name,
                    words["x"],
                    words["y"],
                    words["size"],
                    words["mass"],
                    row.word,
                ],
                "form": f"{row.form}, {words['stands']}",
                "bad": row.outcome != "pass",
                "why": " ".join(row.why),
            }
            for row, words in ((row, place_words(row, system)) for row in plan.stowed)
        ],
        "together": [str(_("Together")), mass],
        "behind": [
            {"name": f"{row.name}, {row.form}", "word": row.word, "why": " ".join(row.why)}
            for row in plan.behind
        ],
        "limit_columns": [str(words) for words in (_("Limit"), _("takes"), _("may take"), _("left"))],
        "limits": [
            [row.label, cells["used"], cells["limit"], cells["spare"] or "–"]
            for row, cells in ((row, limit_cells(row, system)) for row in plan.limits)
        ]
        if plan.stowed
        else [],
        "law": _law(plan.law) if plan.law is not None else None,
        "not_asked": plan.not_asked,
        "words": {
            "whole": str(_("The load as a whole:")),
            "stands": str(_("Where it stands")),
            "behind": str(_("What stays behind")),
            "limits": str(_("Limits: what the load takes, and what is left")),
            "law": str(_("What the law says of the load")),
            "not_asked": str(_("Not asked here:")),
            "drawn": str(
                _(
                    "To scale. A thick edge is the front of a piece; the shaded strip is where the centre of gravity may "
                    "lie; the round mark is where it lies; a number with ? is not decided."
                )
            ),
            "kit": str(_("A kit pallet counts with its mass in its middle.")),
        },
    }


def _views(plan: LoadPlan, system: System) -> list[dict[str, str]]:
    bears = None
    if plan.axles_kg is not None:
        bears = need_words(plan.axles_kg[0], "kg", system), need_words(plan.axles_kg[1], "kg", system)
    above, side = str(_("From above")), str(_("From the side"))
    drawn = plan.drawn
    spelt = "; ".join(f"{piece.number} {piece.name}" for piece in drawn)
    return [
        {
            "title": above,
            "alt": f"{above}. {spelt}",
            "svg": on_paper(
                plan_view(
                    plan.hold,
                    drawn,
                    title=above,
                    mass_kg=plan.placement.mass_kg,
                    cg_mm=plan.cg_mm,
                    system=system,
                )
            ),
        },
        {
            "title": side,
            "alt": f"{side}. {spelt}",
            "svg": on_paper(
                side_view(plan.hold, drawn, title=side, cg_mm=plan.cg_mm, bears=bears, system=system)
            ),
        },
    ]


def _law(law: LoadLaw) -> dict[str, Any]:
    lines = [
        {
            "label": f"{row.name}:",
            "word": row.verdict,
            "bad": row.outcome != "pass",
            "words": " ".join(row.why),
        }
        for row in law.units
    ]
    if law.single_load_lost:
        lost = _(
            "The single-load exception of 49 CFR 173.159(e) falls away, for other dangerous goods are aboard: %(what)s."
        )
        lines.append(
            {
                "label": "",
                "word": "",
                "bad": True,
                "words": str(lost % {"what": ", ".join(law.single_load_lost)}),
            }
        )
    if law.points is not None:
        total = "" if law.points_total is None else str(_("%(n)g points of 1000.") % {"n": law.points_total})
        lines.append(_ruling(str(_("Load points, ADR 1.1.3.6:")), law.points, total))
    if law.trade is not None:
        lines.append(_ruling(str(_("Materials of trade, 49 CFR 173.6:")), law.trade, ""))
    lines += [
        {
            "label": f"{pair.first} – {pair.second}:",
            "word": "",
            "bad": pair.outcome != "pass",
            "words": _joined(
                pair.sentence, *_conditions(pair.conditions), _source(pair.source, verify=pair.verify)
            ),
        }
        for pair in law.pairs
    ]
    return {
        "title": law.title,
        "verdict": law.verdict,
        "bad": law.outcome != "pass",
        "edition": law.edition,
        "lines": lines,
    }


def _ruling(label: str, ruling: RulingWords, total: str) -> dict[str, Any]:
    missing = str(_("Missing: %(what)s.") % {"what": ruling.missing}) if ruling.missing else ""
    words = _joined(
        total,
        ruling.sentence,
        missing,
        *_conditions(ruling.conditions),
        _source(ruling.source, verify=ruling.verify),
    )
    return {"label": label, "word": "", "bad": ruling.outcome != "pass", "words": words}


def _conditions(conditions: tuple[str, ...]) -> list[str]:
    return [str(_("Conditions: %(what)s.") % {"what": "; ".join(conditions)})] if conditions else []


def _source(source: str, *, verify: bool) -> str:
    told = f"({source})" if source else ""
    return _joined(told, str(_("Verify before use: this rests on memory.")) if verify else "")


def _joined(*parts: str) -> str:
    return " ".join(part for part in parts if part)
