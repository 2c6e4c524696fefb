"""Dates of stock and orders: what a code or a receipt says, when an order must leave, what a short life asks for.

A lot is usable through its expiry date; a month without a day is its last day (the reference facts on replenishment,
conventions).
"""

from __future__ import annotations

import calendar
import math
from dataclasses import dataclass
from datetime import date, timedelta

from inventory.domain.errors import NotPlannable


@dataclass(frozen=True, slots=True)
class Release:
    """When an order must leave, and by how many days that is over already."""

    release_date: date
    late_days: int
    order_now: bool


def order_release(*, first_short: date, lead_days: int, safety_days: int, today: date) -> Release:
    """The first short day less the lead time and the safety days (4.6). Late: a normal order does not help any more; move,
    expedite or swap lots."""
    if lead_days < 0 or safety_days < 0:
        raise NotPlannable("release.negative", "Lead time and safety days cannot be negative.")
    leaves = first_short - timedelta(days=lead_days + safety_days)
    return Release(leaves, max((today - leaves).days, 0), leaves <= today)


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What a lot still has of its life when it is received, as a fraction, and whether the clause is met."""

    remaining_fraction: float
    accept: bool


def receipt_acceptance(
    *, manufactured: date, expiry: date, received: date, least_fraction: float
) -> Acceptance:
    """(expiry - received) / (expiry - manufactured) against the clause; 0.75 is common practice, no source."""
    life = (expiry - manufactured).days
    if life <= 0:
        raise NotPlannable(
            "receipt.expiry_before_manufacture",
            "The lot expires on {expiry}, but was made on {manufactured}. Read both dates on the label again.",
            expiry=expiry,
            manufactured=manufactured,
        )
    left = (expiry - received).days / life
    return Acceptance(left, left >= least_fraction)


def gs1_expiry(code: str, *, read_in: int | None = None) -> date:
    """Last usable day of a GS1 code AI (17), YYMMDD; day 00 is the last day of the month, leap years included.

    Source: GS1 General Specifications, AI (17). The century: with `read_in`, the year of reading, a year 51 or more
    ahead lies in the last century and one 50 or more behind in the next (section 7.12); without it, 20YY.
    """
    if len(code) != 6 or not (code.isascii() and code.isdigit()):
        raise NotPlannable(
            "gs1.six_digits", "An expiry code has six digits, YYMMDD; this one reads '{code}'.", code=code
        )
    year, month, day = int(code[:2]), int(code[2:4]), int(code[4:])
    year += 2000 if read_in is None else read_in - read_in % 100
    if read_in is not None and year - read_in >= 51:
        year -= 100
    elif read_in is not None and year - read_in <= -50:
        year += 100
    try:
        return date(year, month, day or calendar.monthrange(year, month)[1])
    except (ValueError, IndexError):  # monthrange names the month, date the day
        raise NotPlannable(
            "gs1.no_date", "The expiry code '{code}' is no date. Read the label again.", code=code
        ) from None


@dataclass(frozen=True, slots=True)
class ShortLife:
    """What an order can cover at most when the goods live shorter than they take to come (4.5)."""

    max_order_qty: float
    max_days_between_orders: float
    orders_open_at_once: int
    sentence: str


def lead_longer_than_life(*, lead_days: float, usable_days: float, demand_per_day: float) -> ShortLife:
    """An order covers at most its usable life; lead / life orders stand open at once. Steady demand, base units per day."""
    if usable_days <= 0:
        raise NotPlannable(
            "life.no_days_left",
            "The goods have no usable day left when they arrive. Ask for a longer life on arrival or another supplier.",
        )
    if lead_days < 0 or demand_per_day < 0:
        raise NotPlannable("life.negative", "Lead time and demand cannot be negative.")
    most = usable_days * demand_per_day
    at_once = math.ceil(lead_days / usable_days)
    if lead_days > usable_days:
        sentence = (
            f"It takes {lead_days:g} days to come and lasts {usable_days:g}: order at most {most:g} at a time, "
            f"for a later day, "
            f"every {usable_days:g} days or oftener, and keep at least {at_once} orders open; a call-off contract does that."
        )
    else:
        sentence = f"It lasts {usable_days:g} days after it arrives: order at most {most:g} at a time."
    return ShortLife(most, usable_days, at_once, sentence)
