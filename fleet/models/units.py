"""Units, where each one is, and the dated facts about its body."""

from __future__ import annotations

from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.db.models.functions import Upper
from django.utils.translation import gettext_lazy as _

from fleet.models.base import (
    COUNTING,
    Correctable,
    Versioned,
    exactly_one_of,
    span_in_order,
    struck_has_reason,
)
from fleet.models.designs import CertificateKind, Design, Evidence, PackedForm
from fleet.models.office import Attachment
from fleet.models.places import Place
from fleet.querysets import StayQuerySet


class UnitQuerySet(models.QuerySet["Unit"]):
    def in_service(self) -> UnitQuerySet:
        return self.filter(retired_on__isnull=True)

    def of_depots(self, place_ids: object) -> UnitQuerySet:
        return self.filter(home_id__in=place_ids)


class Unit(Versioned):
    tag = models.CharField(_("tag"), max_length=30)
    design = models.ForeignKey(Design, on_delete=models.PROTECT, related_name="units")
    home = models.ForeignKey(
        Place, on_delete=models.PROTECT, related_name="home_units", verbose_name=_("home depot")
    )
    serial = models.CharField(_("serial number"), max_length=60, blank=True)
    commissioned_on = models.DateField(null=True, blank=True)
    retired_on = models.DateField(null=True, blank=True)
    packed_form = models.ForeignKey(
        PackedForm,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        verbose_name=_("stands packed as"),
    )
    enclosure_heat_c = models.FloatField(null=True, blank=True)
    yard_place = models.CharField(_("place in the yard"), max_length=60, blank=True)
    note = models.TextField(blank=True)

    objects = UnitQuerySet.as_manager()

    class Meta:
        ordering = ["tag"]
        constraints = [
            models.UniqueConstraint(
                Upper("tag"), name="unit_tag_once", violation_error_message=_("Another unit bears this tag.")
            ),
        ]

    def __str__(self) -> str:
        return self.tag


class UnitStay(models.Model):
    """Where a unit is: in one place or in one absence, never both, never two at a time."""

    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="stays")
    place = models.ForeignKey(
        Place, on_delete=models.PROTECT, null=True, blank=True, related_name="unit_stays"
    )
    absence = models.ForeignKey(
        "fleet.Absence", on_delete=models.PROTECT, null=True, blank=True, related_name="unit_stays"
    )
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = StayQuerySet.as_manager()

    class Meta:
        ordering = ["unit", "-started_at"]
        constraints = [
            exactly_one_of("unit_stay_place_or_absence", "place", "absence"),
            span_in_order("unit_stay_in_order", "started_at", "ended_at"),
            models.UniqueConstraint(
                fields=["unit"], condition=Q(ended_at__isnull=True), name="unit_stay_one_open"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit} at {self.place or self.absence}"


class Modification(Correctable):
    """A change to the body of a unit. Evidence it touches is void from then until shown again."""

    class Kind(models.TextChoices):
        MODIFICATION = "modification", _("modification")
        SWAP = "swap", _("swap of a part")
        REPAIR = "repair", _("repair")
        DROP = "drop", _("drop or hard landing")

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="modifications")
    kind = models.CharField(max_length=12, choices=Kind)
    description = models.CharField(max_length=400)
    mass_change_kg = models.FloatField(null=True, blank=True)
    touches = models.JSONField(
        _("evidence touched"), default=list, help_text=_("Words of fleet.models.designs.Evidence")
    )

    class Meta:
        ordering = ["-happened_at"]
        constraints = [struck_has_reason("modification_struck_reason")]

    def __str__(self) -> str:
        return f"{self.unit}: {self.description}"

    @staticmethod
    def default_touches(kind: str) -> list[str]:
        """What a change of this kind calls in question unless a person narrows it down."""
        if kind == Modification.Kind.DROP:
            return [Evidence.LIFTING, Evidence.TYPE_TEST, Evidence.WIRING]
        if kind == Modification.Kind.SWAP:
            return [Evidence.MASS, Evidence.COG, Evidence.WIRING]
        if kind == Modification.Kind.REPAIR:
            return [Evidence.LIFTING, Evidence.WIRING]
        return [e.value for e in Evidence]


class Weighing(Correctable):
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="weighings")
    packed_form = models.ForeignKey(PackedForm, on_delete=models.PROTECT, related_name="+")
    mass_kg = models.FloatField()
    method = models.CharField(max_length=120, blank=True)
    kit_aboard = models.BooleanField(_("weighed with its kit"), null=True, blank=True)
    water_inside = models.BooleanField(_("weighed with water inside"), null=True, blank=True)
    fuel_l = models.FloatField(
        _("weighed with fuel"), null=True, blank=True, validators=[MinValueValidator(0)]
    )

    class Meta:
        ordering = ["-happened_at"]
        constraints = [
            struck_has_reason("weighing_struck_reason"),
            models.CheckConstraint(condition=Q(mass_kg__gt=0), name="weighing_mass_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.mass_kg} kg"


class WetState(Correctable):
    class Kind(models.TextChoices):
        DRY = "dry", _("dry")
        WET = "wet", _("wet")
        PRESERVED = "preserved", _("preserved")
        DISINFECTED = "disinfected", _("disinfected")

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="wet_states")
    kind = models.CharField(max_length=12, choices=Kind)
    good_until = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["-happened_at"]
        constraints = [struck_has_reason("wet_state_struck_reason")]

    def __str__(self) -> str:
        return f"{self.unit}: {self.get_kind_display()}"


class Certificate(Correctable):
    """A certificate of a unit. `expires_on` empty means it has no end; valid through that day otherwise."""

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="certificates")
    kind = models.CharField(max_length=20, choices=CertificateKind)
    number = models.CharField(max_length=80, blank=True)
    issuer = models.CharField(max_length=120, blank=True)
    issued_on = models.DateField()
    expires_on = models.DateField(null=True, blank=True)
    file = models.ForeignKey(
        Attachment, on_delete=models.PROTECT, null=True, blank=True, related_name="certificates"
    )

    class Meta:
        ordering = ["unit", "kind", "-issued_on"]
        constraints = [
            struck_has_reason("certificate_struck_reason"),
            span_in_order("certificate_in_order", "issued_on", "expires_on"),
            models.UniqueConstraint(
                fields=["unit", "kind", "issued_on", "number"], condition=COUNTING, name="certificate_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.get_kind_display()} {self.number}".strip()
