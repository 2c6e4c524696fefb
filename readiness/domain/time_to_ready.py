"""Hours of work until units could be loaded, and the verdict that follows."""

from __future__ import annotations

from enum import IntEnum
from typing import Any

import numpy as np

from readiness.domain.check_rows import CheckOutcome, CheckRows
from readiness.domain.inputs import FloatArray, IntArray


class VerdictCode(IntEnum):
    READY = 0
    AFTER_WORK = 1
    BLOCKED = 2
    CANNOT_DECIDE = 3


VERDICT_KEYS = ("ready", "after_work", "blocked", "cannot_decide")


def time_to_ready(unit: Any, mend_h: Any, count: int = 1) -> FloatArray:
    """Hours [h] per unit when one crew does the mends one after the other.

    `unit` is the unit of each mend (rows 0..count-1), `mend_h` its hours: NaN (not known) makes the sum NaN, infinite
    (cannot be mended here) makes it infinite, which weighs more: no work here helps.
    """
    rows = np.asarray(unit, dtype=np.int64)
    hours = np.asarray(mend_h, dtype=np.float64)
    if np.any(hours < 0.0):
        raise ValueError("hours of work cannot be negative")
    known = np.where(np.isfinite(hours), hours, 0.0)
    total: FloatArray = np.bincount(rows, weights=known, minlength=count).astype(np.float64)
    total = np.round(total, 2)
    unknown = np.bincount(rows, weights=np.isnan(hours), minlength=count) > 0
    hopeless = np.bincount(rows, weights=np.isinf(hours), minlength=count) > 0
    total[unknown] = np.nan
    total[hopeless] = np.inf
    return total


def judge(rows: CheckRows, notice_h: FloatArray, away: IntArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """Verdict code, hours to ready (NaN not known, inf none help) and first day on which dates alone turn it, per unit.

    Blocked weighs most (it is certain whatever is missing), then what cannot be decided, then the hours against the notice.
    A unit away is never ready.
    """
    count = len(notice_h)
    standing = rows.gates & (rows.outcome != CheckOutcome.PASS)
    failing = rows.gates & (rows.outcome == CheckOutcome.FAIL)
    hours = time_to_ready(rows.unit[failing], rows.mend_h[failing], count)
    open_question = np.bincount(rows.unit[standing & ~failing], minlength=count) > 0
    code = np.where(hours <= notice_h, int(VerdictCode.READY), int(VerdictCode.AFTER_WORK))
    code = np.where((away > 0) & (code == VerdictCode.READY), int(VerdictCode.AFTER_WORK), code)
    code = np.where(
        open_question | np.isnan(hours) | np.isnan(notice_h), int(VerdictCode.CANNOT_DECIDE), code
    )
    code = np.where(np.isinf(hours), int(VerdictCode.BLOCKED), code)
    turns = np.full(count, np.inf)
    gating = np.flatnonzero(rows.gates & np.isfinite(rows.turns))
    np.minimum.at(turns, rows.unit[gating], rows.turns[gating])
    hours = np.where(open_question & np.isfinite(hours), np.nan, hours)
    return code, hours, np.where(np.isfinite(turns), turns, np.nan)


def survey_facts(rows: CheckRows, count: int) -> IntArray:
    """Facts never recorded, per unit; the same fact of two banks counts twice."""
    missing: IntArray = np.bincount(rows.unit[rows.missing], minlength=count).astype(np.int64)
    return missing
