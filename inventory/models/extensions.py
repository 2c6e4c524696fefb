"""Lives of lots made longer by a test."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from fleet.models.base import Recorded
from inventory.models.ledger import Lot


class LifeExtension(Recorded):
    """A lot may be used through a later day, because a test says so. Withdrawn, its earlier date counts again."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="extensions")
    from_expires_on = models.DateField(_("good through before the test"))
    to_expires_on = models.DateField(_("good through by the test"))
    tested_on = models.DateField(_("tested on"))
    paper = models.CharField(_("test paper: laboratory and number"), max_length=200)
    signer = models.CharField(_("signed by"), max_length=120)
    withdrawn_at = models.DateTimeField(null=True, blank=True, editable=False)
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        editable=False,
    )
    withdrawn_reason = models.CharField(max_length=400, blank=True, editable=False)

    class Meta:
        ordering = ["-recorded_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(to_expires_on__gt=F("from_expires_on")),
                name="life_extension_is_longer",
                violation_error_message=_("The new date lies no later than the one on file."),
            ),
            models.CheckConstraint(
                condition=~Q(paper="") & ~Q(signer=""),
                name="life_extension_says_by_what",
                violation_error_message=_("Name the test paper and who signed it."),
            ),
            models.CheckConstraint(
                condition=Q(withdrawn_at__isnull=True) | ~Q(withdrawn_reason=""),
                name="life_extension_withdrawn_says_why",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lot} through {self.to_expires_on}"
