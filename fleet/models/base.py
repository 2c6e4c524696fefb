"""Abstract bases: who recorded what and when, what still counts, and which version a person saw."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.querysets import CorrectableQuerySet


class Recorded(models.Model):
    """An event: when it happened, when and by whom it was written down.

    `token` makes a repeated submission of one form, or a repeated row of one file, a single record.
    """

    happened_at = models.DateTimeField(_("happened at"), db_index=True)
    recorded_at = models.DateTimeField(_("recorded at"), default=timezone.now, editable=False)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        editable=False,
    )
    token = models.UUIDField(null=True, blank=True, unique=True, editable=False)

    class Meta:
        abstract = True


class Correctable(Recorded):
    """An event that may be struck out with a reason or superseded by another row; it stays visible."""

    struck_at = models.DateTimeField(null=True, blank=True, editable=False)
    struck_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        editable=False,
    )
    struck_reason = models.CharField(max_length=400, blank=True, editable=False)
    superseded_by = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="supersedes", editable=False
    )

    confirmed = False  # not kept: said while it is written down that what is out of the ordinary is right
    objects = CorrectableQuerySet.as_manager()

    class Meta:
        abstract = True

    @property
    def counts(self) -> bool:
        return self.struck_at is None and self.superseded_by_id is None  # type: ignore[attr-defined]


class Versioned(models.Model):
    """A row that people edit: the version tells whether someone else saved in between."""

    version = models.PositiveIntegerField(default=1, editable=False)
    updated_at = models.DateTimeField(auto_now=True, editable=False)

    class Meta:
        abstract = True


def struck_has_reason(name: str) -> models.CheckConstraint:
    """A struck-out row says why."""
    return models.CheckConstraint(
        condition=Q(struck_at__isnull=True) | ~Q(struck_reason=""),
        name=name,
        violation_error_message=_("Say why the record is struck out."),
    )


COUNTING = Q(struck_at__isnull=True, superseded_by__isnull=True)


def span_in_order(name: str, start: str = "valid_from", end: str = "valid_to") -> models.CheckConstraint:
    """A span does not end before it starts."""
    return models.CheckConstraint(
        condition=Q(**{f"{end}__isnull": True}) | Q(**{f"{end}__gte": F(start)}),
        name=name,
        violation_error_message=_("The end lies before the start."),
    )


def exactly_one_of(name: str, *fields: str) -> models.CheckConstraint:
    """Exactly one of the named foreign keys is set; the same on every engine, NULLs included."""
    condition = Q()
    for chosen in fields:
        clause = Q(**{f"{chosen}__isnull": False})
        for other in fields:
            if other != chosen:
                clause &= Q(**{f"{other}__isnull": True})
        condition |= clause
    return models.CheckConstraint(condition=condition, name=name)
