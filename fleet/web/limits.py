"""Masses, limits and what is left of them, in words that are never kinder than the numbers.

A mass or a size that must pass is rounded up, a limit, a rating and a margin down, in the units this person sees.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal

from django.utils.translation import gettext as _

from fleet.lib.quantities import (
    UNIT_SPACE,
    UNITS,
    System,
    display_unit,
    display_value,
    format_number,
    format_quantity,
    round_down,
    round_up,
)


def need_words(value: float | None, base: str, system: System = "si") -> str:
    """What must be carried or must pass [base], never understated; empty when not known."""
    return format_quantity(value, base, system, direction="up")


def limit_words(value: float | None, base: str, system: System = "si") -> str:
    """What may be carried or is free [base], never overstated; empty when not known."""
    return format_quantity(value, base, system, direction="down")


def spare_words(value: float | None, base: str, system: System = "si") -> str:
    """A margin [base; a word that is no unit stands as it is]: `12 kg to spare`, `short by 13 kg`; empty when not known.

    Less than one step too heavy is short by one step, and less than one step to spare is nothing to spare.
    """
    if value is None or not math.isfinite(value):
        return ""
    if base not in UNITS:
        amount = f"{math.floor(value) if value >= 0 else math.ceil(-value)} {base}"
    elif value < 0:
        amount = round_up(-value, base, system)
    else:
        amount = round_down(value, base, system)
    return str((_("short by %(amount)s") if value < 0 else _("%(amount)s to spare")) % {"amount": amount})


def spare_number(value: float | None, base: str, *, digits: int = 1) -> float | None:
    """A margin as a number for a file or a program [base], rounded down to `digits` places."""
    if value is None or not math.isfinite(value):
        return None
    return float(display_value(value, base, direction="down", digits=digits))


def shares_of_sum(parts: Sequence[float | None], total: float | None, system: System = "si") -> list[str]:
    """Masses [kg] to a tenth of the unit shown, so that they add up to their `total` rounded up to a tenth.

    `total` or a part None: not known; then each is rounded up by itself. A part that is not known is empty.
    """
    known = [value for value in parts if value is not None and math.isfinite(value)]
    if total is None or not math.isfinite(total) or len(known) < len(parts):
        return [format_quantity(value, "kg", system, direction="up", digits=1) for value in parts]
    exact = [10 * float(display_value(value, "kg", system, digits=6)) for value in known]
    whole = int(10 * display_value(total, "kg", system, direction="up", digits=1))
    shares = [math.floor(value + 1e-4) for value in exact]
    by_rest = sorted(range(len(shares)), key=lambda n: shares[n] - exact[n])
    for n in by_rest[: max(0, whole - sum(shares))]:
        shares[n] += 1
    symbol = display_unit("kg", system).symbol
    return [f"{format_number(Decimal(tenths) / 10)}{UNIT_SPACE}{symbol}" for tenths in shares]
