"""Units away from their place: absences, deployments, legs, day logs; and offers of carriage."""

from __future__ import annotations

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.models.base import COUNTING, Correctable, Versioned, span_in_order, struck_has_reason
from fleet.models.places import Place
from fleet.models.units import Unit


class Absence(Versioned):
    """A unit away: why, who has it, when it is due back, and how long a recall takes."""

    class Purpose(models.TextChoices):
        CALL = "call", _("call")
        EXERCISE = "exercise", _("exercise")
        LOAN = "loan", _("loan")
        WORKSHOP = "workshop", _("workshop")

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="absences")
    purpose = models.CharField(max_length=10, choices=Purpose)
    custodian = models.CharField(_("custodian"), max_length=120)
    place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, blank=True, related_name="absences")
    started_at = models.DateTimeField()
    due_back_on = models.DateField(null=True, blank=True)
    recall_h = models.FloatField(
        _("hours to recall"), null=True, blank=True, validators=[MinValueValidator(0)]
    )
    ended_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=400, blank=True)
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

    class Meta:
        ordering = ["unit", "-started_at"]
        constraints = [
            struck_has_reason("absence_struck_reason"),
            span_in_order("absence_in_order", "started_at", "ended_at"),
            models.UniqueConstraint(
                fields=["unit"], condition=Q(ended_at__isnull=True), name="absence_one_open"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit} away: {self.get_purpose_display()}"


class Deployment(Versioned):
    """One unit away on one call or exercise: legs, daily log, return."""

    code = models.CharField(max_length=40, unique=True)
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="deployments")
    absence = models.OneToOneField(
        Absence, on_delete=models.PROTECT, null=True, blank=True, related_name="deployment"
    )
    exercise = models.BooleanField(_("exercise"), default=False)
    site = models.ForeignKey(
        Place, on_delete=models.PROTECT, null=True, blank=True, related_name="deployments"
    )
    started_on = models.DateField()
    ended_on = models.DateField(null=True, blank=True)
    people = models.PositiveIntegerField(null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["-started_on"]
        constraints = [span_in_order("deployment_in_order", "started_on", "ended_on")]

    def __str__(self) -> str:
        return self.code


class Leg(Versioned):
    deployment = models.ForeignKey(Deployment, on_delete=models.CASCADE, related_name="legs")
    sequence = models.PositiveSmallIntegerField()
    conveyance = models.CharField(_("conveyance"), max_length=60)
    origin = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="+")
    destination = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="+")
    departed_at = models.DateTimeField(null=True, blank=True)
    arrived_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["deployment", "sequence"]
        constraints = [
            models.UniqueConstraint(fields=["deployment", "sequence"], name="leg_sequence_once"),
            span_in_order("leg_in_order", "departed_at", "arrived_at"),
        ]

    def __str__(self) -> str:
        return f"{self.deployment} leg {self.sequence}"


class DayLog(Correctable):
    """One day of a deployment as written down on site; `happened_at` is the end of that day there."""

    deployment = models.ForeignKey(Deployment, on_delete=models.PROTECT, related_name="day_logs")
    day = models.DateField()
    hours_a_h = models.FloatField(_("hours, train A"), null=True, blank=True)
    hours_b_h = models.FloatField(_("hours, train B"), null=True, blank=True)
    starts_a = models.PositiveSmallIntegerField(_("starts, train A"), null=True, blank=True)
    starts_b = models.PositiveSmallIntegerField(_("starts, train B"), null=True, blank=True)
    volume_a_m3 = models.FloatField(_("volume, train A"), null=True, blank=True)
    volume_b_m3 = models.FloatField(_("volume, train B"), null=True, blank=True)
    turbidity_ntu = models.FloatField(_("raw water turbidity"), null=True, blank=True)
    pressure_drop_bar = models.FloatField(_("pressure drop"), null=True, blank=True)
    energy_kwh = models.FloatField(_("energy used"), null=True, blank=True)
    note = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["deployment", "day"]
        constraints = [
            struck_has_reason("day_log_struck_reason"),
            models.UniqueConstraint(fields=["deployment", "day"], condition=COUNTING, name="day_log_once"),
            models.CheckConstraint(
                condition=(Q(hours_a_h__isnull=True) | Q(hours_a_h__gte=0, hours_a_h__lte=25))
                & (Q(hours_b_h__isnull=True) | Q(hours_b_h__gte=0, hours_b_h__lte=25)),
                name="day_log_hours_in_a_day",
                violation_error_message=_(
                    "A train runs between 0 and 24 hours a day (25 when clocks go back)."
                ),
            ),
            models.CheckConstraint(
                condition=(Q(volume_a_m3__isnull=True) | Q(volume_a_m3__gte=0))
                & (Q(volume_b_m3__isnull=True) | Q(volume_b_m3__gte=0)),
                name="day_log_volume_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.deployment} {self.day}"


class Offer(Versioned):
    """A conveyance that is really available: where, when, how many, at what cost."""

    code = models.CharField(max_length=40, unique=True)
    conveyance = models.CharField(_("kind of conveyance"), max_length=60)
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="offers")
    available_from = models.DateTimeField()
    available_to = models.DateTimeField(null=True, blank=True)
    count = models.PositiveSmallIntegerField(default=1)
    cost = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["available_from"]
        constraints = [
            span_in_order("offer_in_order", "available_from", "available_to"),
            models.CheckConstraint(
                condition=Q(cost__isnull=True) | ~Q(currency=""), name="offer_cost_has_currency"
            ),
        ]

    def __str__(self) -> str:
        return self.code
