"""What the units ask of the stores, day by day: kits kept complete, parts changed before their life ends.

The rules are those of the checks (`readiness.domain.checks_parts`): a kit lasts through a standard mission that begins on
any day; a part too. What is not known asks at once: a kit nobody counted, a part whose use or life is not decided.

Frames name their unit by row number in `units`; days are days since 1970-01-01. The result has, a row a need: unit, item,
qty [base unit], day, lasts_to, rank (0 grounds the unit), unknown (asked because it is not known).
"""

from __future__ import annotations

import numpy as np

from inventory.domain.part_life import CANNOT_DECIDE, FAIL, add_months
from readiness.domain.checks_parts import Keys, falls_short, planned_use_per_day
from readiness.domain.snapshot import Frame

COLUMNS = ("unit", "item", "qty", "day", "lasts_to", "rank", "unknown")
LEAST_QTY = 0.0005  # half of the least quantity that is kept: what is left below it is rounding


def kit_demand(units: Frame, kit: Frame, aboard: Frame, *, today: int) -> Frame:
    """What completes each kit today, and replaces each lot aboard on the first day on which it would not last a mission.

    The longest-lived lots count first, so that as little as possible is asked for. Without a stated mission length
    a quantity 'for so many days' is asked for once.
    """
    unit, item = kit["unit"], kit["item"]
    mission = np.nan_to_num(units["mission_days"])
    with np.errstate(invalid="ignore"):
        rounds = np.where(np.isnan(kit["per_days"]), 1.0, np.ceil(mission[unit] / kit["per_days"]))
    needed = np.round(kit["qty"] * np.maximum(rounds, 1.0), 3)
    counted = np.bincount(aboard["unit"], minlength=len(units)) > 0
    ends = aboard["expires"] - mission[aboard["unit"]] + 1
    line = Keys(unit, item).find(aboard["unit"], aboard["item"])
    use = np.flatnonzero((line >= 0) & aboard["usable"] & (aboard["qty"] > 0) & (ends > today))
    order = use[np.lexsort((-aboard["expires"][use], line[use]))]
    row, qty = line[order], aboard["qty"][order]
    total = np.cumsum(qty)
    first = np.r_[True, row[1:] != row[:-1]] if len(row) else np.zeros(0, dtype=bool)
    before = (total - qty)[first][np.cumsum(first) - 1] if len(row) else total
    within = total - before
    covers = np.clip(np.minimum(within, needed[row]) - (within - qty), 0.0, None)
    held = np.bincount(row, weights=covers, minlength=len(kit))
    day = np.concatenate([np.full(len(kit), float(today)), ends[order]])
    rows = np.concatenate([np.arange(len(kit)), row])
    asked = np.round(np.concatenate([needed - held, covers]), 3)
    keep = np.flatnonzero((asked > LEAST_QTY) & np.isfinite(day))
    of = rows[keep]
    return _demand(
        unit[of], item[of], asked[keep], day[keep], mission[unit[of]], kit["grounds"][of], ~counted[unit[of]]
    )


def part_demand(
    units: Frame, positions: Frame, fitted: Frame, *, today: int, horizon: int, away: np.ndarray
) -> Frame:
    """A part for each position: today where it is empty, wrong, spent or not decided, else when its life ends, again and
    again through `horizon`.

    `away` (units,): True for a unit that is working now; its hours and volume go on by the design's plan, and where no plan
    is stated, nothing is decided about them.
    """
    unit, item = positions["unit"], positions["item"]
    row = Keys(fitted["unit"], fitted["slot"]).find(unit, positions["slot"])
    has = row >= 0
    if not len(fitted):
        return _demand(unit, item, np.ones(len(unit)), np.full(len(unit), float(today)), np.zeros(len(unit)),
                       positions["grounds"], np.ones(len(unit), dtype=bool))  # fmt: skip
    part = fitted.take(np.maximum(row, 0))
    mission = np.nan_to_num(units["mission_days"])[unit]
    rate_h, rate_m3 = planned_use_per_day(units, unit, part["train"])
    short = falls_short(part["left_h"], part["limit_h"], mission * rate_h)
    short |= falls_short(part["left_m3"], part["limit_m3"], mission * rate_m3)
    bad = ~has | (part["item"] != item) | ~part["usable"] | (part["outcome"] == FAIL) | short
    working = away[unit] & ~bad
    lasts_h, lasts_m3 = _days_left(part["left_h"], rate_h), _days_left(part["left_m3"], rate_m3)
    no_plan = working & (np.isnan(lasts_h) | np.isnan(lasts_m3))
    recorded = np.bincount(fitted["unit"], minlength=len(units)) > 0
    unknown = ~bad & ((part["outcome"] == CANNOT_DECIDE) | no_plan) | ~has & ~recorded[unit]
    by_months = np.where(np.isnan(part["last_day"]), np.inf, part["last_day"] - mission + 1)
    by_work = np.where(working, today + np.fmin(lasts_h, lasts_m3), np.inf)
    day = np.where(bad | unknown, float(today), np.maximum(np.minimum(by_months, by_work), today))
    months = part["limit_months"]
    rows, days = [np.arange(len(unit))], [day]
    at = np.flatnonzero(np.isfinite(day) & ~np.isnan(months))
    while len(at):
        ends = add_months(
            days[-1][np.searchsorted(rows[-1], at)].astype(np.int64).astype("datetime64[D]"), months[at]
        )
        later = ends.astype(np.int64) - mission[at] + 1
        goes_on = (later > days[-1][np.searchsorted(rows[-1], at)]) & (later <= horizon)
        at, later = at[goes_on], later[goes_on]
        rows.append(at)
        days.append(later)
    of, on = np.concatenate(rows), np.concatenate(days)
    keep = np.flatnonzero(np.isfinite(on))
    of, on = of[keep], on[keep]
    first = np.arange(len(keep)) < np.isfinite(day).sum()
    return _demand(
        unit[of],
        item[of],
        np.ones(len(of)),
        on,
        np.zeros(len(of)),
        positions["grounds"][of],
        unknown[of] & first,
    )


def _days_left(left: np.ndarray, rate: np.ndarray) -> np.ndarray:
    """Whole days through which it lasts; inf where no such limit applies or nothing is used, NaN where no plan is stated."""
    with np.errstate(invalid="ignore", divide="ignore"):
        days = np.floor(np.maximum(left, 0.0) / rate)
    return np.where(np.isnan(left) | (rate == 0), np.inf, days)


def _demand(
    unit: np.ndarray,
    item: np.ndarray,
    qty: np.ndarray,
    day: np.ndarray,
    lasts_days: np.ndarray,
    grounds: np.ndarray,
    unknown: np.ndarray,
) -> Frame:
    day = day.astype(np.int64)
    columns = (unit, item, qty, day, day + lasts_days.astype(np.int64), np.where(grounds, 0, 1), unknown)
    return Frame(dict(zip(COLUMNS, columns, strict=True)))
