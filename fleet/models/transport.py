"""How a unit may travel: what differs from its design, what its banks are to the rules of transport, and those rules."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.models.banks import BatteryBank
from fleet.models.base import Versioned, span_in_order
from fleet.models.designs import FormMeasures, PackedForm
from fleet.models.units import Unit
from fleet.querysets import SpanQuerySet


class UnitForm(FormMeasures, Versioned):
    """What was measured on one unit and differs from its packed form. An empty measure means: as the design says."""

    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="own_forms")
    packed_form = models.ForeignKey(PackedForm, on_delete=models.PROTECT, related_name="overrides")
    reason = models.CharField(_("what differs, and who measured it"), max_length=400)
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["unit", "packed_form", "-valid_from"]
        constraints = [
            span_in_order("unit_form_in_order"),
            models.UniqueConstraint(fields=["unit", "packed_form", "valid_from"], name="unit_form_once"),
            models.UniqueConstraint(
                fields=["unit", "packed_form"], condition=Q(valid_to__isnull=True), name="unit_form_one_open"
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="unit_form_says_why"),
        ]

    def __str__(self) -> str:
        return f"{self.unit} {self.packed_form.code}"


class BankTransport(Versioned):
    """What a battery bank is to the transport rules. Empty means not known, and is never assumed.

    Dated facts (condition, covered terminals, fixing) are checks of their own, evidence on paper a certificate of the unit.
    """

    class Config(models.TextChoices):
        INSTALLED = "installed", _("installed in the equipment it runs")
        PACKED_WITH = "packed_with", _("packed with the equipment it runs")
        ALONE = "alone", _("alone")

    class Host(models.TextChoices):
        EQUIPMENT = "equipment", _("equipment")
        VEHICLE = "vehicle", _("vehicle that moves by itself")
        CTU_EXTERNAL = "ctu_external", _("container or trailer that only feeds others")
        POWER_BANK = "power_bank", _("power bank")
        UNCLEAR = "unclear", _("not clear: ask the specialist")

    class Un383(models.TextChoices):
        PASS = "pass", _("passed: the summary is on file with the bank")
        FAIL = "fail", _("not passed")
        PROTOTYPE = "prototype", _("prototype or small run")

    bank = models.OneToOneField(BatteryBank, on_delete=models.CASCADE, related_name="transport")
    config = models.CharField(_("it travels"), max_length=12, choices=Config, blank=True)
    host = models.CharField(_("installed in"), max_length=12, choices=Host, blank=True)
    un383 = models.CharField(_("UN 38.3 tests"), max_length=9, choices=Un383, blank=True)
    declared_wh = models.FloatField(_("energy as marked"), null=True, blank=True)
    net_mass_kg = models.FloatField(_("mass of the batteries"), null=True, blank=True)
    package_gross_kg = models.FloatField(_("gross mass of a package"), null=True, blank=True)
    ctu_gross_kg = models.FloatField(
        _("gross mass in one container"),
        null=True,
        blank=True,
        help_text=_(
            "Of all nickel-metal hydride batteries that go in the same container or on the same vehicle."
        ),
    )
    spare_sets = models.PositiveSmallIntegerField(_("spare sets"), null=True, blank=True)
    vib_pressure_ok = models.BooleanField(
        _("vibration and pressure tests passed"), null=True, blank=True, help_text=_("As the report says.")
    )
    no_free_liquid_55c = models.BooleanField(
        _("no free liquid at 55 °C, case cracked"), null=True, blank=True, help_text=_("As the report says.")
    )
    marked_nonspillable = models.BooleanField(_("marked NON-SPILLABLE"), null=True, blank=True)
    adr_1137_ruling = models.BooleanField(_("an adviser ruled ADR 1.1.3.7 applies"), null=True, blank=True)
    discharge_allowed = models.BooleanField(
        _("the maker allows discharging for transport"), null=True, blank=True
    )
    discharge_w = models.FloatField(_("load to discharge with"), null=True, blank=True)
    source = models.CharField(_("where this is written"), max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=(Q(declared_wh__isnull=True) | Q(declared_wh__gt=0))
                & (Q(net_mass_kg__isnull=True) | Q(net_mass_kg__gt=0))
                & (Q(package_gross_kg__isnull=True) | Q(package_gross_kg__gt=0))
                & (Q(discharge_w__isnull=True) | Q(discharge_w__gt=0)),
                name="bank_transport_positive",
                violation_error_message=_("Energy, masses and load must be more than 0, or empty."),
            ),
            models.CheckConstraint(
                condition=Q(ctu_gross_kg__isnull=True) | Q(ctu_gross_kg__gt=0),
                name="bank_transport_ctu_positive",
                violation_error_message=_("The gross mass in one container must be more than 0, or empty."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bank} in transport"


class TransportTerms(models.Model):
    """The owner's settings: how long a check counts, how much room is kept free. Defaults are common practice."""

    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)
    terminals_days = models.PositiveSmallIntegerField(_("covered terminals count for, days"), default=30)
    condition_days = models.PositiveSmallIntegerField(
        _("condition of a battery counts for, days"), default=30
    )
    fixing_days = models.PositiveSmallIntegerField(
        _("upright fixing and tick lists count for, days"), default=30
    )
    tanks_days = models.PositiveSmallIntegerField(_("state of a tank counts for, days"), default=14)
    list_days = models.PositiveSmallIntegerField(_("the list of goods counts for, days"), default=180)
    soc_hours = models.PositiveSmallIntegerField(_("a measured charge counts for, hours"), default=24)
    container_w_mm = models.FloatField(_("container: free across"), default=50)
    container_h_mm = models.FloatField(_("container: free above"), default=50)
    container_l_mm = models.FloatField(_("container: free along"), default=100)
    ramp_w_mm = models.FloatField(_("ramp aircraft: free across"), default=300)
    ramp_h_mm = models.FloatField(_("ramp aircraft: free above"), default=150)
    ramp_l_mm = models.FloatField(_("ramp aircraft: free along"), default=300)
    plane_w_mm = models.FloatField(_("other aircraft: free across"), default=100)
    plane_h_mm = models.FloatField(_("other aircraft: free above"), default=50)
    plane_l_mm = models.FloatField(_("other aircraft: free along"), default=100)
    gap_mm = models.FloatField(_("between pieces and to the walls"), default=50)
    rigging_kg = models.FloatField(_("mass of slings and hook gear"), default=150)
    source = models.CharField(max_length=200, blank=True)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["-valid_from"]
        verbose_name_plural = "transport terms"
        constraints = [
            span_in_order("transport_terms_in_order"),
            models.UniqueConstraint(fields=["valid_from"], name="transport_terms_once"),
            models.CheckConstraint(
                condition=Q(
                    container_w_mm__gte=0,
                    container_h_mm__gte=0,
                    container_l_mm__gte=0,
                    ramp_w_mm__gte=0,
                    ramp_h_mm__gte=0,
                    ramp_l_mm__gte=0,
                    plane_w_mm__gte=0,
                    plane_h_mm__gte=0,
                    plane_l_mm__gte=0,
                    gap_mm__gte=0,
                    rigging_kg__gte=0,
                ),
                name="transport_terms_not_negative",
                violation_error_message=_("Clearances, gap and rigging must not be negative."),
            ),
        ]

    def __str__(self) -> str:
        return f"transport terms from {self.valid_from}"


class RuleEdition(models.Model):
    """Editions of the dangerous-goods rules that the owner loads. They take effect once a second person released them."""

    class State(models.TextChoices):
        LOADED = "loaded", _("loaded, waits for a second person")
        RELEASED = "released", _("released")
        WITHDRAWN = "withdrawn", _("withdrawn")

    name = models.CharField(_("name"), max_length=120)
    editions_csv = models.TextField(_("table of editions"))
    goods_csv = models.TextField(_("table of goods"), blank=True)
    fingerprint = models.CharField(max_length=64, unique=True)
    # [mode, first day] of each edition, kept apart: should the tables ever be unreadable, these days are still cut off.
    covers = models.JSONField(_("modes and first days"), default=list)
    state = models.CharField(max_length=9, choices=State, default=State.LOADED)
    changes = models.JSONField(_("verdicts it changes"), default=list)
    note = models.CharField(max_length=400, blank=True)
    loaded_at = models.DateTimeField(default=timezone.now)
    loaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    released_at = models.DateTimeField(null=True, blank=True)
    released_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    withdrawn_reason = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["-loaded_at"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(state="released") | Q(released_at__isnull=False, released_by__isnull=False),
                name="rule_edition_released_by_someone",
            ),
            models.CheckConstraint(
                condition=Q(released_by__isnull=True) | ~Q(released_by=F("loaded_by")),
                name="rule_edition_second_person",
                violation_error_message=_(
                    "Whoever loaded the edition cannot release it: a second person does."
                ),
            ),
            models.CheckConstraint(
                condition=~Q(state="withdrawn")
                | (Q(withdrawn_at__isnull=False, withdrawn_by__isnull=False) & ~Q(withdrawn_reason="")),
                name="rule_edition_withdrawn_says_why",
            ),
        ]

    def __str__(self) -> str:
        return self.name
