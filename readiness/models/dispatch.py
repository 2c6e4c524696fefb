"""Calls, plans, releases and papers. What a person acted on keeps a frozen copy with its time."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.models import Deployment, Offer, PackedForm, Place, Unit, Versioned
from fleet.models.base import span_in_order


class Call(Versioned):
    """A request for help. Empty means not said, and not said is never taken as good news."""

    class State(models.TextChoices):
        OPEN = "open", _("open")
        ANSWERED = "answered", _("answered")
        CLOSED = "closed", _("closed")

    code = models.CharField(max_length=40, unique=True)
    state = models.CharField(max_length=8, choices=State, default=State.OPEN)
    received_at = models.DateTimeField(default=timezone.now)
    place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, blank=True, related_name="calls")
    people = models.PositiveIntegerField(null=True, blank=True)
    wanted_from = models.DateTimeField(null=True, blank=True)
    wanted_by = models.DateTimeField(null=True, blank=True)
    days = models.PositiveSmallIntegerField(null=True, blank=True)
    water_source = models.CharField(max_length=120, blank=True)
    turbidity_ntu = models.FloatField(null=True, blank=True)
    access = models.TextField(blank=True)
    exercise = models.BooleanField(default=False)

    class Meta:
        ordering = ["-received_at"]
        constraints = [
            span_in_order("call_window_in_order", "wanted_from", "wanted_by"),
            models.CheckConstraint(
                condition=Q(people__isnull=True) | Q(people__gt=0), name="call_people_positive"
            ),
        ]

    def __str__(self) -> str:
        return self.code


class Plan(Versioned):
    class State(models.TextChoices):
        DRAFT = "draft", _("draft")
        PUBLISHED = "published", _("published")
        WITHDRAWN = "withdrawn", _("withdrawn")

    code = models.CharField(max_length=40, unique=True)
    state = models.CharField(max_length=9, choices=State, default=State.DRAFT)
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    published_at = models.DateTimeField(null=True, blank=True)
    frozen = models.JSONField(default=dict, blank=True)

    class Meta:
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return self.code


class PlanLine(models.Model):
    """One unit for one call on one conveyance; the deployment it became is pointed to from here."""

    plan = models.ForeignKey(Plan, on_delete=models.CASCADE, related_name="lines")
    call = models.ForeignKey(Call, on_delete=models.PROTECT, related_name="plan_lines")
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="plan_lines")
    packed_form = models.ForeignKey(
        PackedForm, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    offer = models.ForeignKey(
        Offer, on_delete=models.PROTECT, null=True, blank=True, related_name="plan_lines"
    )
    deployment = models.OneToOneField(
        Deployment, on_delete=models.PROTECT, null=True, blank=True, related_name="plan_line"
    )
    reserved = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["plan", "unit"], name="plan_unit_once"),
            models.UniqueConstraint(fields=["unit"], condition=Q(reserved=True), name="unit_reserved_once"),
        ]

    def __str__(self) -> str:
        return f"{self.plan}: {self.unit}"


class Release(models.Model):
    """A signed decision to send a unit against a failed check that may be released at all."""

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="releases")
    check_key = models.CharField(max_length=60)
    reason = models.CharField(max_length=400)
    signed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    signed_at = models.DateTimeField(default=timezone.now)
    good_through = models.DateField()
    frozen = models.JSONField(default=dict)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-signed_at"]
        constraints = [models.CheckConstraint(condition=~Q(reason=""), name="release_has_reason")]

    def __str__(self) -> str:
        return f"{self.unit}: {self.check_key}"


class Packet(models.Model):
    """The papers of a plan line as printed."""

    line = models.ForeignKey(PlanLine, on_delete=models.PROTECT, related_name="packets")
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    frozen = models.JSONField(default=dict)

    class Meta:
        ordering = ["-made_at"]

    def __str__(self) -> str:
        return f"{self.line} {self.made_at:%Y-%m-%d %H:%M}"
