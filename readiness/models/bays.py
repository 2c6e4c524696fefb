"""Where banks are charged: bays, what supply and crew allow, how banks are stored, and the plan of the next weeks."""

from __future__ import annotations

import datetime as dt

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.models import BatteryBank, Job, Place, Versioned
from fleet.models.banks import Chemistry
from fleet.models.base import span_in_order
from fleet.querysets import SpanQuerySet
from readiness.models.upkeep import Charge

MIDNIGHT = dt.time(0)


class ChargerBay(Versioned):
    """One place in a depot where one bank can charge, and what its charger can give."""

    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="bays")
    name = models.CharField(_("bay"), max_length=20)
    max_a = models.FloatField(_("greatest current"), validators=[MinValueValidator(0.1)])
    max_v = models.FloatField(_("highest charging voltage"), validators=[MinValueValidator(1)])
    max_kw = models.FloatField(
        _("greatest power from the wall"), null=True, blank=True, validators=[MinValueValidator(0.01)]
    )
    profiles = models.JSONField(
        _("chemistries its charger has a programme for"), default=list, help_text=_("Codes of chemistries.")
    )
    valid_from = models.DateField(_("in use from"))
    valid_to = models.DateField(_("in use through"), null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["place", "name"]
        constraints = [
            span_in_order("charger_bay_in_order"),
            models.UniqueConstraint(fields=["place", "name", "valid_from"], name="charger_bay_once"),
            models.UniqueConstraint(
                fields=["place", "name"], condition=Q(valid_to__isnull=True), name="charger_bay_one_open"
            ),
            models.CheckConstraint(
                condition=Q(max_a__gt=0, max_v__gt=0) & (Q(max_kw__isnull=True) | Q(max_kw__gt=0)),
                name="charger_bay_positive",
                violation_error_message=_("Current, voltage and power must be more than 0."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place} {self.name}"


class BayTerms(models.Model):
    """How a depot charges, over a span of days. The supply limit stands in DepotTerms and SupplyHours."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="bay_terms")
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)
    base_kw = models.FloatField(
        _("drawn anyway: light, heating, fans"), default=0, validators=[MinValueValidator(0)]
    )
    handlings_per_hour = models.FloatField(
        _("banks connected or disconnected an hour"),
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1)],
        help_text=_("Empty: no limit is known, and none is kept."),
    )
    least_h = models.FloatField(_("shortest time on a bay"), default=1, validators=[MinValueValidator(0)])
    unattended = models.JSONField(
        _("chemistries that may charge while nobody is there"),
        default=list,
        blank=True,
        help_text=_("Codes of chemistries."),
    )
    horizon_days = models.PositiveSmallIntegerField(
        _("planned ahead, days"), default=14, validators=[MinValueValidator(1), MaxValueValidator(56)]
    )
    source = models.CharField(_("who decided, where it is written"), max_length=200, blank=True)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["place", "-valid_from"]
        verbose_name_plural = "bay terms"
        constraints = [
            span_in_order("bay_terms_in_order"),
            models.UniqueConstraint(fields=["place", "valid_from"], name="bay_terms_once"),
            models.UniqueConstraint(
                fields=["place"], condition=Q(valid_to__isnull=True), name="bay_terms_one_open"
            ),
            models.CheckConstraint(
                condition=Q(base_kw__gte=0, least_h__gte=0, horizon_days__gte=1, horizon_days__lte=56)
                & (Q(handlings_per_hour__isnull=True) | Q(handlings_per_hour__gt=0)),
                name="bay_terms_in_range",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place} charges, from {self.valid_from}"


class Weekday(models.IntegerChoices):
    MONDAY = 0, _("Monday")
    TUESDAY = 1, _("Tuesday")
    WEDNESDAY = 2, _("Wednesday")
    THURSDAY = 3, _("Thursday")
    FRIDAY = 4, _("Friday")
    SATURDAY = 5, _("Saturday")
    SUNDAY = 6, _("Sunday")


class CrewHours(models.Model):
    """Hours of a weekday in which the crew is at a depot, in the depot's own zone. A weekday without a row: closed."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="crew_hours")
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)
    weekday = models.PositiveSmallIntegerField(choices=Weekday)
    opens = models.TimeField()
    closes = models.TimeField()

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["place", "weekday", "opens"]
        verbose_name_plural = "crew hours"
        constraints = [
            span_in_order("crew_hours_in_order"),
            models.UniqueConstraint(
                fields=["place", "weekday", "opens", "valid_from"], name="crew_hours_once"
            ),
            models.CheckConstraint(
                condition=Q(closes__gt=F("opens"), weekday__gte=0, weekday__lte=6),
                name="crew_hours_close_later",
                violation_error_message=_("The crew leaves after it comes, on the same day."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place} {self.get_weekday_display()} {self.opens:%H:%M}-{self.closes:%H:%M}"


class CrewDay(models.Model):
    """A day unlike its weekday: closed (no hours), or open at other hours."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="crew_days")
    day = models.DateField()
    opens = models.TimeField(null=True, blank=True)
    closes = models.TimeField(null=True, blank=True)
    reason = models.CharField(_("why"), max_length=120)

    class Meta:
        ordering = ["place", "day"]
        constraints = [
            models.UniqueConstraint(fields=["place", "day"], name="crew_day_once"),
            models.CheckConstraint(
                condition=Q(opens__isnull=True, closes__isnull=True)
                | Q(opens__isnull=False, closes__isnull=False, closes__gt=F("opens")),
                name="crew_day_hours_or_closed",
                violation_error_message=_("Give both hours, the later one last, or none for a closed day."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place} {self.day}"


class SupplyHours(models.Model):
    """Hours in which the supply allows less or more than the depot's limit. Where several hold, the least counts."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="supply_hours")
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)
    weekday = models.PositiveSmallIntegerField(
        choices=Weekday, null=True, blank=True, help_text=_("Empty: every day.")
    )
    starts = models.TimeField()
    ends = models.TimeField(help_text=_("00:00 is the end of the day."))
    limit_kw = models.FloatField(_("limit"), validators=[MinValueValidator(0)])
    reason = models.CharField(_("why"), max_length=120, blank=True)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["place", "weekday", "starts"]
        verbose_name_plural = "supply hours"
        constraints = [
            span_in_order("supply_hours_in_order"),
            models.CheckConstraint(
                condition=Q(limit_kw__gte=0) & (Q(weekday__isnull=True) | Q(weekday__gte=0, weekday__lte=6)),
                name="supply_hours_in_range",
                violation_error_message=_("The limit must not be negative."),
            ),
            models.CheckConstraint(
                condition=Q(ends=MIDNIGHT) | Q(ends__gt=F("starts")),
                name="supply_hours_end_later",
                violation_error_message=_("The hours end after they start; 00:00 is the end of the day."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place} {self.starts:%H:%M}-{self.ends:%H:%M} {self.limit_kw} kW"


class StoragePolicy(models.Model):
    """How full banks of one chemistry are kept in a depot: the owner's choice between lasting, being ready and flying."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="storage_policies")
    chemistry = models.CharField(max_length=20, choices=Chemistry)
    store_soc = models.FloatField(_("kept at"), validators=[MinValueValidator(0.05), MaxValueValidator(1)])
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)
    chosen_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    reason = models.CharField(_("why"), max_length=400)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["place", "chemistry", "-valid_from"]
        verbose_name_plural = "storage policies"
        constraints = [
            span_in_order("storage_policy_in_order"),
            models.UniqueConstraint(fields=["place", "chemistry", "valid_from"], name="storage_policy_once"),
            models.UniqueConstraint(
                fields=["place", "chemistry"],
                condition=Q(valid_to__isnull=True),
                name="storage_policy_one_open",
            ),
            models.CheckConstraint(
                condition=Q(store_soc__gt=0, store_soc__lte=1), name="storage_policy_soc_in_range"
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="storage_policy_says_why"),
        ]

    def __str__(self) -> str:
        return f"{self.place} {self.chemistry} {self.store_soc:.0%}"


class BayPlan(Versioned):
    """A plan of charges for a depot's bays, kept as it was computed: `frozen` holds the problem, what is proven, and why.

    At most one is published for a depot; the next one takes its place. One that breaks a floor is signed for first.
    """

    class State(models.TextChoices):
        DRAFT = "draft", _("draft")
        PUBLISHED = "published", _("published")
        REPLACED = "replaced", _("replaced")
        WITHDRAWN = "withdrawn", _("withdrawn")

    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="bay_plans")
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    state = models.CharField(max_length=9, choices=State, default=State.DRAFT)
    job = models.ForeignKey(Job, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    starts_at = models.DateTimeField(_("first slot"), null=True, blank=True)
    ends_at = models.DateTimeField(_("end of the last slot"), null=True, blank=True)
    proven = models.BooleanField(_("proven best"), default=False)
    floors_broken = models.PositiveIntegerField(default=0)
    published_at = models.DateTimeField(null=True, blank=True)
    published_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    accepted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    accepted_at = models.DateTimeField(null=True, blank=True)
    accepted_reason = models.CharField(_("why a floor may be broken"), max_length=400, blank=True)
    ended_at = models.DateTimeField(_("replaced or withdrawn"), null=True, blank=True)
    ended_reason = models.CharField(max_length=400, blank=True)
    frozen = models.JSONField(default=dict)
    token = models.UUIDField(null=True, blank=True, unique=True, editable=False)

    class Meta:
        ordering = ["-created_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["place"], condition=Q(state="published"), name="bay_plan_one_published"
            ),
            models.CheckConstraint(
                condition=~Q(state="published") | Q(published_at__isnull=False),
                name="bay_plan_published_when",
            ),
            models.CheckConstraint(
                condition=~Q(state="published")
                | Q(floors_broken=0)
                | (Q(accepted_at__isnull=False, accepted_by__isnull=False) & ~Q(accepted_reason="")),
                name="bay_plan_broken_floor_is_signed",
                violation_error_message=_(
                    "A plan that lets a bank fall under its floor is signed for first."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place} {self.created_at:%Y-%m-%d}"


class BayPlanLine(models.Model):
    """One stretch of a bank on a bay. A charge that pauses has several, counted by `stretch`."""

    plan = models.ForeignKey(BayPlan, on_delete=models.CASCADE, related_name="lines")
    bank = models.ForeignKey(BatteryBank, on_delete=models.PROTECT, related_name="bay_plan_lines")
    bay = models.ForeignKey(ChargerBay, on_delete=models.PROTECT, related_name="lines")
    stretch = models.PositiveSmallIntegerField(default=0)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField(_("charger done"))
    off_at = models.DateTimeField(_("taken off the bay"))
    kw = models.FloatField(_("greatest power from the wall"))
    charge = models.ForeignKey(
        Charge, on_delete=models.SET_NULL, null=True, blank=True, related_name="bay_plan_lines"
    )

    class Meta:
        ordering = ["plan", "starts_at", "bay"]
        indexes = [models.Index(fields=["starts_at"])]
        constraints = [
            models.UniqueConstraint(fields=["plan", "bank", "stretch"], name="bay_plan_line_once"),
            models.CheckConstraint(
                condition=Q(ends_at__gt=F("starts_at"), off_at__gte=F("ends_at"), kw__gte=0),
                name="bay_plan_line_in_order",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bank} on {self.bay}"


class BayCalendar(models.Model):
    """The secret address under which calendars read a depot's bay plan; only its hash is kept. Renewed, the old one ends."""

    place = models.OneToOneField(
        Place, on_delete=models.CASCADE, primary_key=True, related_name="bay_calendar"
    )
    hash = models.CharField(max_length=64, unique=True, editable=False)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    def __str__(self) -> str:
        return f"calendar of the bays of {self.place}"
