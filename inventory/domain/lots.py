"""May a lot go aboard or into a position? Nothing that is missing counts as good."""

from __future__ import annotations

from datetime import date
from typing import Literal

Hindrance = Literal["", "recalled", "quarantine", "expired", "expiry_unknown"]


def lot_hindrance(
    *, status: str, expires_on: date | None, no_expiry: bool, dated: bool, day: date
) -> Hindrance:
    """What keeps a lot from being issued or fitted on `day`; empty when nothing does.

    `status` is good, quarantine or recalled; `expires_on` is valid through that day; `dated` says that lots of the
    item carry an expiry date, so that one without a date and without `no_expiry` is not known to be good.
    """
    if status == "recalled":
        return "recalled"
    if status == "quarantine":
        return "quarantine"
    if expires_on is not None:
        return "expired" if expires_on < day else ""
    return "expiry_unknown" if dated and not no_expiry else ""
