"""One load told: cells of the page, rows of its export, and plain data for the API and the command."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.domain.dangerous_goods.loads import POINT_LIMIT
from fleet.lib.quantities import UNIT_SPACE, System, format_quantity
from fleet.web.limits import limit_words, need_words, spare_words
from readiness.web.transport_load import Limit, LoadLaw, LoadPlan, RulingWords, Stowed


def said_of_number(plan: LoadPlan) -> str:
    """How many go, of how many, and whether more could."""
    placed, asked = len(plan.stowed), len(plan.stowed) + len(plan.behind)
    if not asked:
        return ""
    if placed == asked:
        return str(_("Everything that was named goes: %(n)d of %(n)d.") % {"n": asked})
    most = plan.placement.most
    counts = {"placed": placed, "asked": asked, "most": most}
    if plan.placement.proven:
        return str(_("%(placed)d of %(asked)d go. Of what may go, no more can: that is proven.") % counts)
    return str(
        _(
            "%(placed)d of %(asked)d go. Not proven to be the most: at most %(most)d could, and the time was up."
        )
        % counts
    )


def limit_cells(row: Limit, system: System) -> dict[str, str]:
    """A limit in the units this person sees, never kinder than the numbers."""
    base = row.unit
    if base in ("kg", "mm"):
        used = need_words(row.used, base, system)
        return {
            "used": used,
            "limit": limit_words(row.limit, base, system) if row.limit is not None else row.note,
            "spare": spare_words(row.spare, base, system),
        }
    used = "" if row.used is None else f"{_up(row.used):,} {base}".replace(",", "\u202f")
    limit = row.note if row.limit is None else f"{int(row.limit):,} {base}".replace(",", "\u202f")
    return {"used": used, "limit": limit, "spare": spare_words(row.spare, base, system)}


def _up(value: float) -> int:
    return -int(-value // 1)


EXPORT_COLUMNS = (
    gettext_lazy("No."),
    gettext_lazy("What"),
    gettext_lazy("Packed as"),
    gettext_lazy("From the far end, mm"),
    gettext_lazy("From the left, mm"),
    gettext_lazy("Length as it stands, mm"),
    gettext_lazy("Width as it stands, mm"),
    gettext_lazy("Height, mm"),
    gettext_lazy("Mass, kg"),
    gettext_lazy("Turned"),
    gettext_lazy("Answer"),
    gettext_lazy("Why"),
)


def export_rows(plan: LoadPlan) -> list[list[Any]]:
    """Everything named: first what goes, in the order of the drawing, then what stays behind."""
    goes = [
        [
            row.number,
            row.name,
            row.form,
            round(row.x_mm),
            round(row.y_mm),
            round(row.along_mm),
            round(row.across_mm),
            _up(row.height_mm),
            _up(row.mass_kg),
            str(_("yes") if row.turned else _("no")),
            row.word,
            " ".join(row.why),
        ]
        for row in plan.stowed
    ]
    stays = [
        [None, row.name, row.form, *[None] * 6, "", f"{_('stays behind')}: {row.word}", " ".join(row.why)]
        for row in plan.behind
    ]
    return goes + stays


def plan_answer(plan: LoadPlan) -> dict[str, Any]:
    """The plan as plain data, for the API and the command: SI, the words of the page."""
    law = plan.law
    return {
        "conveyance": plan.question.conveyance,
        "name": plan.name,
        "ship_date": plan.question.ship_date,
        "answer": plan.carried.word,
        "outcome": plan.outcome,
        "said": said_of_number(plan),
        "proven_most": plan.placement.proven,
        "most": plan.placement.most,
        "gap_mm": plan.gap_mm,
        "mass_kg": plan.placement.mass_kg,
        "cg_from_far_end_mm": plan.cg_mm,
        "placed": [
            {
                "number": row.number,
                "name": row.name,
                "form": row.form,
                "x_mm": row.x_mm,
                "y_mm": row.y_mm,
                "along_mm": row.along_mm,
                "across_mm": row.across_mm,
                "height_mm": row.height_mm,
                "mass_kg": row.mass_kg,
                "turned": row.turned,
                "answer": row.word,
                "outcome": row.outcome,
                "why": list(row.why),
            }
            for row in plan.stowed
        ],
        "left_behind": [
            {
                "name": row.name,
                "form": row.form,
                "outcome": row.outcome,
                "answer": row.word,
                "why": list(row.why),
            }
            for row in plan.behind
        ],
        "limits": [
            {
                "key": row.key,
                "label": row.label,
                "used": row.used,
                "limit": row.limit,
                "spare": row.spare,
                "unit": row.unit,
                "outcome": row.outcome,
            }
            for row in plan.limits
        ],
        "law": None if law is None else _law_answer(law),
        "not_asked": plan.not_asked,
    }


def _law_answer(law: LoadLaw) -> dict[str, Any]:
    return {
        "mode": law.title,
        "verdict": law.verdict,
        "outcome": law.outcome,
        "edition": law.edition,
        "units": [
            {"name": row.name, "verdict": row.verdict, "outcome": row.outcome, "why": list(row.why)}
            for row in law.units
        ],
        "points": _ruling_answer(law.points),
        "points_total": law.points_total,
        "points_limit": POINT_LIMIT if law.points is not None else None,
        "point_lines": [
            {
                "unit": row.unit,
                "label": row.label,
                "un": row.un,
                "counted": row.counted,
                "category": row.category,
                "quantity": row.quantity,
                "quantity_unit": row.unit_of_quantity,
                "points": row.points,
            }
            for row in law.point_lines
        ],
        "materials_of_trade": _ruling_answer(law.trade),
        "pairs": [
            {
                "first": row.first,
                "second": row.second,
                "outcome": row.outcome,
                "sentence": row.sentence,
                "conditions": list(row.conditions),
                "source": row.source,
                "verify_before_use": row.verify,
            }
            for row in law.pairs
        ],
        "pairs_without_conflict": law.pairs_free,
        "single_load_lost": list(law.single_load_lost),
    }


def _ruling_answer(ruling: RulingWords | None) -> dict[str, Any] | None:
    if ruling is None:
        return None
    return {
        "outcome": ruling.outcome,
        "sentence": ruling.sentence,
        "conditions": list(ruling.conditions),
        "missing": ruling.missing,
        "source": ruling.source,
        "verify_before_use": ruling.verify,
    }


def place_words(row: Stowed, system: System) -> dict[str, str]:
    """Where a piece stands and how, in the units this person sees."""
    return {
        "x": format_quantity(row.x_mm, "mm", system),
        "y": format_quantity(row.y_mm, "mm", system),
        "size": _sides(
            [need_words(value, "mm", system) for value in (row.along_mm, row.across_mm, row.height_mm)]
        ),
        "mass": need_words(row.mass_kg, "kg", system),
        "stands": str(_("its left side ahead") if row.turned else _("its front ahead")),
    }


def _sides(words: Sequence[str]) -> str:
    """Three lengths with their unit once."""
    numbers = [word.partition(UNIT_SPACE) for word in words]
    unit = numbers[0][2]
    if unit and all(number[2] == unit for number in numbers):
        return " × ".join(number[0] for number in numbers) + UNIT_SPACE + unit
    return " × ".join(words)
