"""Sentences a page can read aloud about records with a beginning and an end."""

from __future__ import annotations

from datetime import datetime
from typing import Self

from django.db.models import Case, DateTimeField, F, Q, When

from fleet.querysets import CorrectableQuerySet


class EndedLaterQuerySet(CorrectableQuerySet):
    """Records whose end is often written down later than their beginning: charges and faults.

    `end_recorded_at` says when the end was written down; empty means: with the record itself.
    """

    end = ""

    def as_believed_on(self, instant: datetime) -> Self:
        """What was recorded by that instant, with `believed_end`: the end as far as it was recorded by then, else None.

        Ask `believed_end`, not the end itself, which may have been written down since.
        """
        told = Q(end_recorded_at__isnull=True) | Q(end_recorded_at__lte=instant)
        believed = Case(When(told, then=F(self.end)), default=None, output_field=DateTimeField(null=True))
        return super().as_believed_on(instant).annotate(believed_end=believed)

    def open_as_believed_on(self, instant: datetime) -> Self:
        """What had begun and, as far as was known by that instant, had not ended."""
        begun = self.as_believed_on(instant).filter(happened_at__lte=instant)
        return begun.filter(Q(believed_end__isnull=True) | Q(believed_end__gt=instant))


class ChargeQuerySet(EndedLaterQuerySet):
    end = "ended_at"


class FaultQuerySet(EndedLaterQuerySet):
    end = "closed_at"
