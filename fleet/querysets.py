"""Sentences a page can read aloud, shared by the models of all three apps."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Self

from django.db import models
from django.db.models import Q


class CorrectableQuerySet(models.QuerySet[Any]):
    """Records that may be struck out or superseded, never deleted."""

    def counting(self) -> Self:
        """Only what still counts: neither struck out nor superseded."""
        return self.filter(struck_at__isnull=True, superseded_by__isnull=True)

    def not_counting(self) -> Self:
        return self.exclude(struck_at__isnull=True, superseded_by__isnull=True)

    def as_believed_on(self, instant: datetime) -> Self:
        """What was recorded, and not yet struck out, by that instant."""
        return self.filter(recorded_at__lte=instant).filter(
            Q(struck_at__isnull=True) | Q(struck_at__gt=instant),
            Q(superseded_by__isnull=True) | Q(superseded_by__recorded_at__gt=instant),
        )


class SpanQuerySet(models.QuerySet[Any]):
    """Rows valid over a span of days, both ends included; an open end is NULL."""

    def valid_on(self, day: Any) -> Self:
        return self.filter(valid_from__lte=day).filter(Q(valid_to__isnull=True) | Q(valid_to__gte=day))


class StayQuerySet(models.QuerySet[Any]):
    """Where a thing is: rows with a start and an end instant."""

    def current(self) -> Self:
        return self.filter(ended_at__isnull=True)

    def at(self, instant: datetime) -> Self:
        return self.filter(started_at__lte=instant).filter(Q(ended_at__isnull=True) | Q(ended_at__gt=instant))
