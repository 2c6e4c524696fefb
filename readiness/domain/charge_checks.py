"""A check of a charge: what was compared with what, how it came out, and what must be on file to tell."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from readiness.domain.check_rows import CheckOutcome

_GRAVITY = {CheckOutcome.PASS: 0, CheckOutcome.CANNOT_DECIDE: 1, CheckOutcome.FAIL: 2}


@dataclass(frozen=True, slots=True)
class ChargeCheck:
    """One comparison. `margin` is in `unit`, negative when it fails, None where there is nothing to subtract.

    `missing` names what must be known to decide; a check with an entry there never passes.
    """

    key: str
    outcome: CheckOutcome
    value: float | None
    limit: float | None
    margin: float | None
    unit: str
    missing: tuple[str, ...]
    source: str


def at_most(
    key: str, value: float | None, limit: float | None, unit: str, source: str, *, missing: Iterable[str] = ()
) -> ChargeCheck:
    """Passes when `value` is not above `limit`; cannot be decided while one of them, or anything in `missing`, is."""
    return _compared(key, value, limit, unit, source, tuple(missing), 1.0)


def at_least(
    key: str, value: float | None, limit: float | None, unit: str, source: str, *, missing: Iterable[str] = ()
) -> ChargeCheck:
    """Passes when `value` is not below `limit`."""
    return _compared(key, value, limit, unit, source, tuple(missing), -1.0)


def is_so(key: str, value: bool | None, source: str, *, missing: Iterable[str] = ()) -> ChargeCheck:
    """Passes when the statement is true, fails when it is false, and cannot be decided when nobody knows."""
    if value is None:
        return ChargeCheck(key, CheckOutcome.CANNOT_DECIDE, None, None, None, "", tuple(missing), source)
    outcome = CheckOutcome.PASS if value else CheckOutcome.FAIL
    return ChargeCheck(key, outcome, None, None, None, "", (), source)


def _compared(
    key: str,
    value: float | None,
    limit: float | None,
    unit: str,
    source: str,
    missing: tuple[str, ...],
    sign: float,
) -> ChargeCheck:
    known_value, known_limit = known(value), known(limit)
    if known_value is None or known_limit is None:
        return ChargeCheck(
            key, CheckOutcome.CANNOT_DECIDE, known_value, known_limit, None, unit, missing, source
        )
    margin = sign * (known_limit - known_value)
    fails = margin < -1e-9 * max(1.0, abs(known_limit))
    if fails:  # what is missing could not mend it
        return ChargeCheck(key, CheckOutcome.FAIL, known_value, known_limit, margin, unit, (), source)
    outcome = CheckOutcome.CANNOT_DECIDE if missing else CheckOutcome.PASS
    return ChargeCheck(key, outcome, known_value, known_limit, margin, unit, missing, source)


def known(value: float | None) -> float | None:
    """The number, or None where it is not known (None or NaN)."""
    return None if value is None or math.isnan(value) else float(value)


def worst(checks: Iterable[ChargeCheck]) -> CheckOutcome:
    """The outcome of all together: a failure counts before what cannot be decided, and that before a pass."""
    return max((check.outcome for check in checks), key=_GRAVITY.__getitem__, default=CheckOutcome.PASS)


def all_missing(checks: Iterable[ChargeCheck]) -> tuple[str, ...]:
    """Every name that is missing in any check, once, in order."""
    return tuple(dict.fromkeys(name for check in checks for name in check.missing))
