"""What came against what was ordered: how much is too much, and whether it will last long enough to be of use."""

from __future__ import annotations

from datetime import date
from decimal import Decimal


def over_qty(*, open_qty: Decimal, good_qty: Decimal) -> Decimal:
    """How much more came, in good state, than was still to come; 0 when it did not. Units of the item."""
    return max(good_qty - open_qty, Decimal(0))


def remaining_days(*, expires_on: date | None, day: date) -> int | None:
    """Days [d] a lot may still be used after `day`, valid through its date; below 0 when expired; None without a date."""
    return None if expires_on is None else (expires_on - day).days


def life_wanted(*, item_days: int | None, offered_days: int | None) -> int | None:
    """The least life left on arrival [d]: the longer of what the owner wants and the supplier offers; None: neither."""
    said = [days for days in (item_days, offered_days) if days is not None]
    return max(said, default=None)
