"""Places, their climate, and what each depot has and promises."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.models.base import Versioned, span_in_order
from fleet.querysets import SpanQuerySet


class Place(Versioned):
    class Kind(models.TextChoices):
        DEPOT = "depot", _("depot")
        AIRFIELD = "airfield", _("airfield")
        PORT = "port", _("port")
        LANDING_ZONE = "landing_zone", _("landing zone")
        SITE = "site", _("site")
        WORKSHOP = "workshop", _("workshop")

    code = models.CharField(_("code"), max_length=20, unique=True)
    name = models.CharField(_("name"), max_length=120)
    kind = models.CharField(_("kind"), max_length=12, choices=Kind)
    country = models.CharField(_("country (ISO 3166-1 alpha-2)"), max_length=2, blank=True)
    lat_deg = models.FloatField(
        _("latitude"), null=True, blank=True, validators=[MinValueValidator(-90), MaxValueValidator(90)]
    )
    lon_deg = models.FloatField(
        _("longitude"), null=True, blank=True, validators=[MinValueValidator(-180), MaxValueValidator(180)]
    )
    elevation_m = models.FloatField(_("elevation"), null=True, blank=True)
    time_zone = models.CharField(_("time zone (IANA name)"), max_length=60, default="UTC")
    mail = models.EmailField(_("address for the daily digest"), blank=True)
    closed_on = models.DateField(_("closed on"), null=True, blank=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(lat_deg__isnull=True) | Q(lat_deg__gte=-90, lat_deg__lte=90),
                name="place_lat_in_range",
            ),
            models.CheckConstraint(
                condition=Q(lon_deg__isnull=True) | Q(lon_deg__gte=-180, lon_deg__lte=180),
                name="place_lon_in_range",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class DepotTerms(models.Model):
    """What a depot promises and has, over a span of days. NULL means not stated, which is never taken as enough."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="terms")
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)
    notice_h = models.FloatField(_("notice: hours until a unit must be loadable"), null=True, blank=True)
    mission_days = models.PositiveSmallIntegerField(_("standard mission length"), null=True, blank=True)
    reading_max_age_days = models.PositiveSmallIntegerField(_("a reading counts for"), default=90)
    crew_count = models.PositiveSmallIntegerField(_("people on a shift"), null=True, blank=True)
    charger_bays = models.PositiveSmallIntegerField(_("charger bays"), null=True, blank=True)
    supply_limit_kw = models.FloatField(_("supply limit"), null=True, blank=True)
    lookahead_days = models.PositiveSmallIntegerField(_("alerts look ahead"), default=30)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["place", "-valid_from"]
        constraints = [
            span_in_order("depot_terms_in_order"),
            models.UniqueConstraint(fields=["place", "valid_from"], name="depot_terms_one_per_start"),
            models.UniqueConstraint(
                fields=["place"], condition=Q(valid_to__isnull=True), name="depot_terms_one_open"
            ),
            models.CheckConstraint(
                condition=Q(notice_h__isnull=True) | Q(notice_h__gte=0), name="depot_notice_positive"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place} from {self.valid_from}"


class ClimateNormal(models.Model):
    """Monthly air temperature of a place; the record low and high are extremes, not means."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="climate")
    month = models.PositiveSmallIntegerField(validators=[MinValueValidator(1), MaxValueValidator(12)])
    mean_c = models.FloatField()
    record_low_c = models.FloatField(null=True, blank=True)
    record_high_c = models.FloatField(null=True, blank=True)
    source = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["place", "month"]
        constraints = [
            models.UniqueConstraint(fields=["place", "month"], name="climate_one_per_month"),
            models.CheckConstraint(condition=Q(month__gte=1, month__lte=12), name="climate_month_in_range"),
            models.CheckConstraint(
                condition=Q(mean_c__gte=-60, mean_c__lte=60), name="climate_mean_plausible"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place} {self.month:02d}"


class TemperatureLog(models.Model):
    """Daily mean temperature logged where batteries stand (in a place, or in one unit's enclosure)."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="temperature_log")
    unit = models.ForeignKey(
        "fleet.Unit", on_delete=models.CASCADE, null=True, blank=True, related_name="temperature_log"
    )
    day = models.DateField()
    mean_c = models.FloatField()
    recorded_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["place", "day"], condition=Q(unit__isnull=True), name="temp_log_place_day"
            ),
            models.UniqueConstraint(
                fields=["unit", "day"], condition=Q(unit__isnull=False), name="temp_log_unit_day"
            ),
            models.CheckConstraint(condition=Q(mean_c__gte=-60, mean_c__lte=80), name="temp_log_plausible"),
        ]

    def __str__(self) -> str:
        return f"{self.place} {self.day}: {self.mean_c} °C"
