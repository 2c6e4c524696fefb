"""Errors of the stock ledger: a key, the data, one sentence that says what to do."""

from __future__ import annotations

from collections.abc import Collection, Mapping

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


class OrderError(DomainError):
    """An order cannot be written, sent, ended or received like that; nothing was saved."""


class NeedsConfirmation(DomainError):
    """Something unusual that may be right all the same. `questions` are its keys: sent back, they confirm exactly this."""

    @property
    def questions(self) -> tuple[str, ...]:
        return tuple(self.data.get("questions", ()))

    @classmethod
    def ask(cls, questions: Mapping[str, DomainError], confirmed: Collection[str]) -> None:
        """Raises one error with every question that nobody has confirmed yet."""
        left = {key: error for key, error in questions.items() if key not in confirmed}
        if left:
            told = " ".join(error.sentence for error in left.values())
            raise cls("confirm.needed", "{told}", told=told, questions=tuple(questions))
