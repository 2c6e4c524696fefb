"""Errors of the stock ledger: a key, the data, one sentence that says what to do."""

from __future__ import annotations

from fleet.lib.errors import DomainError


class StockError(DomainError):
    """The ledger refused a movement; nothing was written."""


class TooLittle(StockError):
    """More was asked for than there is, or than there would be on a later day."""


class LotNotUsable(StockError):
    """The lot is expired, in quarantine, recalled, or its expiry date is not known."""


class PositionTaken(StockError):
    """The position of the unit holds a part, or held one after the moment named."""


class NotReversible(StockError):
    """The movement was reversed already, or something was built on it."""


class NotPlannable(DomainError):
    """An input on which no honest plan can rest: row and field are named, and what to do about it."""
