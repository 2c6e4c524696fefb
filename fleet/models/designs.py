"""Types of unit, the ways each travels, and the certificates each must hold."""

from __future__ import annotations

from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.models.base import Versioned, span_in_order
from fleet.querysets import SpanQuerySet


class Design(Versioned):
    code = models.CharField(_("code"), max_length=30, unique=True)
    name = models.CharField(_("name"), max_length=120)
    maker = models.CharField(_("maker"), max_length=120, blank=True)
    description = models.TextField(blank=True)
    water_m3_day = models.FloatField(_("safe water a day"), null=True, blank=True)
    solar_kwp = models.FloatField(_("solar array"), null=True, blank=True)
    inverter_kw = models.FloatField(_("inverter"), null=True, blank=True)
    enclosure_heat_c = models.FloatField(
        _("enclosure runs warmer than the air by"),
        null=True,
        blank=True,
        help_text=_("Mean over the day, in kelvin. Empty means not known: 5 K is then assumed and said."),
    )
    enclosure_swing_c = models.FloatField(_("daily swing inside, each way"), null=True, blank=True)
    train_hours_day = models.FloatField(_("planned running hours a day per train"), null=True, blank=True)
    train_m3_day = models.FloatField(_("planned volume a day per train"), null=True, blank=True)
    trapped_water_kg = models.FloatField(
        _("water left inside when not drained"),
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
        help_text=_("Empty means not known: a unit that is not dry then has no known packed mass."),
    )
    survey_min = models.PositiveSmallIntegerField(_("minutes to survey one fact"), default=5)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name


class FormMeasures(models.Model):
    """What the transport class reads of a packed form. Every measure may be unknown; unknown is never taken as zero.

    x runs from the front, y from the left, z from the base the form stands on.
    """

    length_mm = models.FloatField(null=True, blank=True, validators=[MinValueValidator(1)])
    width_mm = models.FloatField(null=True, blank=True, validators=[MinValueValidator(1)])
    height_mm = models.FloatField(null=True, blank=True, validators=[MinValueValidator(1)])
    mass_kg = models.FloatField(_("catalogue mass"), null=True, blank=True, validators=[MinValueValidator(1)])
    cog_x_mm = models.FloatField(_("centre of gravity from the front"), null=True, blank=True)
    cog_y_mm = models.FloatField(_("centre of gravity from the left"), null=True, blank=True)
    cog_z_mm = models.FloatField(_("centre of gravity above the base"), null=True, blank=True)
    lifting_points = models.PositiveSmallIntegerField(null=True, blank=True)
    lifting_points_kg = models.FloatField(_("rated mass of each lifting point"), null=True, blank=True)
    point_front_mm = models.FloatField(_("front lifting points from the front"), null=True, blank=True)
    point_left_mm = models.FloatField(_("left lifting points from the left"), null=True, blank=True)
    point_length_mm = models.FloatField(_("lifting points apart along"), null=True, blank=True)
    point_width_mm = models.FloatField(_("lifting points apart across"), null=True, blank=True)
    point_height_mm = models.FloatField(_("lifting points above the base"), null=True, blank=True)
    fork_pocket_spacing_mm = models.FloatField(null=True, blank=True)
    fork_pocket_width_mm = models.FloatField(null=True, blank=True)
    load_centre_mm = models.FloatField(_("load centre for forks"), null=True, blank=True)
    axle_count = models.PositiveSmallIntegerField(null=True, blank=True)
    axle_load_kg = models.FloatField(null=True, blank=True)
    axle_spacing_mm = models.FloatField(null=True, blank=True)
    tongue_load_kg = models.FloatField(null=True, blank=True)
    trailer_gvwr_kg = models.FloatField(_("trailer plate: gross mass"), null=True, blank=True)
    container_gross_kg = models.FloatField(
        _("container safety plate: maximum gross mass"),
        null=True,
        blank=True,
        help_text=_("Of a form that is a freight container itself."),
    )
    braked = models.BooleanField(_("trailer has brakes"), null=True, blank=True)
    may_turn = models.BooleanField(
        _("may stand turned by 90°"), null=True, blank=True, help_text=_("Empty: only as drawn.")
    )
    hours_to_pack_h = models.FloatField(null=True, blank=True)

    class Meta:
        abstract = True


class PackedForm(FormMeasures, Versioned):
    """One way a design travels. Its mass is that of the dry unit without kit and fuel."""

    class Kind(models.TextChoices):
        SKID = "skid", _("bare skid")
        TRAILER = "trailer", _("on its trailer")
        CONTAINER = "container", _("skid in a container")

    design = models.ForeignKey(Design, on_delete=models.CASCADE, related_name="packed_forms")
    code = models.CharField(_("code"), max_length=30)
    kind = models.CharField(max_length=10, choices=Kind)

    class Meta:
        ordering = ["design", "code"]
        constraints = [
            models.UniqueConstraint(fields=["design", "code"], name="packed_form_code_once"),
            models.CheckConstraint(
                condition=Q(mass_kg__isnull=True) | Q(mass_kg__gt=0), name="packed_form_mass_positive"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.design.code} {self.code}"


class CertificateKind(models.TextChoices):
    LIFTING_EXAM = "lifting_exam", _("lifting thorough examination")
    PROOF_LOAD = "proof_load", _("lifting proof load")
    CONTAINER_PLATE = "container_plate", _("container safety plate")
    TRAILER = "trailer", _("trailer inspection")
    NON_SPILLABLE = "non_spillable", _("non-spillable battery test report")
    BATTERY_SUMMARY = "battery_summary", _("lithium battery test summary")
    EXTINGUISHER = "extinguisher", _("fire extinguisher service")
    ELECTRICAL = "electrical", _("electrical verification")
    WATER_TEST = "water_test", _("product water test")
    RADIO_PERMIT = "radio_permit", _("satellite phone and radio permit")


class Evidence(models.TextChoices):
    """What a change to a unit can call in question until it is shown again."""

    MASS = "mass", _("mass")
    COG = "cog", _("centre of gravity")
    LIFTING = "lifting", _("lifting")
    WIRING = "wiring", _("wiring")
    TYPE_TEST = "type_test", _("type tests")


# Which evidence each certificate rests on: a change that touches it voids the certificate until renewed.
CERTIFICATE_RESTS_ON: dict[str, frozenset[str]] = {
    CertificateKind.LIFTING_EXAM: frozenset({Evidence.LIFTING, Evidence.MASS}),
    CertificateKind.PROOF_LOAD: frozenset({Evidence.LIFTING, Evidence.MASS}),
    CertificateKind.CONTAINER_PLATE: frozenset({Evidence.TYPE_TEST}),
    CertificateKind.TRAILER: frozenset({Evidence.MASS}),
    CertificateKind.NON_SPILLABLE: frozenset({Evidence.TYPE_TEST}),
    CertificateKind.BATTERY_SUMMARY: frozenset({Evidence.TYPE_TEST}),
    CertificateKind.ELECTRICAL: frozenset({Evidence.WIRING}),
}


class CertificateRule(models.Model):
    """A certificate that units of a design must hold to leave. `gates` names the mode it gates; empty means any."""

    class Gate(models.TextChoices):
        ANY = "any", _("leaving at all")
        AIR = "air", _("going by air")
        ROAD = "road", _("going by road")
        SEA = "sea", _("going by sea")
        LIFT = "lift", _("being lifted")

    design = models.ForeignKey(Design, on_delete=models.CASCADE, related_name="certificate_rules")
    kind = models.CharField(max_length=20, choices=CertificateKind)
    gate = models.CharField(max_length=5, choices=Gate, default=Gate.ANY)
    renew_h = models.FloatField(
        _("hours of work to renew here; empty: cannot be mended here"), null=True, blank=True
    )
    lead_days = models.PositiveSmallIntegerField(_("days to arrange a renewal"), default=14)
    source = models.CharField(max_length=200, blank=True)
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["design", "kind"]
        constraints = [
            span_in_order("certificate_rule_in_order"),
            models.UniqueConstraint(
                fields=["design", "kind", "gate", "valid_from"], name="certificate_rule_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.design.code}: {self.get_kind_display()}"
