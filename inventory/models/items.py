"""Items, what each design needs of them, and the equipment a depot shares between units."""

from __future__ import annotations

from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.models import Design, Place, Versioned
from fleet.models.base import span_in_order
from fleet.querysets import SpanQuerySet


class Item(Versioned):
    """A consumable or spare, counted in its one base unit. Empty life means: no limit of that kind is known to apply."""

    class Unit(models.TextChoices):
        EACH = "each", _("each")
        KG = "kg", _("kg")
        L = "l", _("litre")
        M = "m", _("metre")

    class Kind(models.TextChoices):
        CONSUMABLE = "consumable", _("consumable")
        SPARE = "spare", _("spare")
        DOCUMENT = "document", _("paper or test kit")

    code = models.CharField(_("code"), max_length=40, unique=True)
    name = models.CharField(_("name"), max_length=120)
    kind = models.CharField(max_length=12, choices=Kind, default=Kind.CONSUMABLE)
    base_unit = models.CharField(_("counted in"), max_length=4, choices=Unit, default=Unit.EACH)
    serialised = models.BooleanField(_("each piece has a serial"), default=False)
    dated = models.BooleanField(_("lots carry an expiry date"), default=True)
    extendable = models.BooleanField(_("life may be extended by test"), default=False)
    grounds_unit = models.BooleanField(_("a unit cannot leave without it"), default=True)
    shelf_life_months = models.PositiveSmallIntegerField(null=True, blank=True)
    min_life_days = models.PositiveSmallIntegerField(
        _("least remaining life on arrival, days"), null=True, blank=True
    )
    service_life_h = models.FloatField(_("service life, hours"), null=True, blank=True)
    service_life_m3 = models.FloatField(_("service life, volume"), null=True, blank=True)
    service_life_months = models.PositiveSmallIntegerField(
        _("service life, months fitted"), null=True, blank=True
    )
    hours_per_start_h = models.FloatField(_("hours of life a start costs"), null=True, blank=True)
    fit_h = models.FloatField(_("hours of work to fit"), null=True, blank=True)
    mass_kg = models.FloatField(null=True, blank=True)
    dangerous_goods = models.CharField(_("dangerous goods entry"), max_length=20, blank=True)
    storage_note = models.CharField(max_length=200, blank=True)
    source = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name

    @property
    def whole(self) -> bool:
        """Counted in whole pieces."""
        return self.base_unit == Item.Unit.EACH


class DesignItem(models.Model):
    """The bill of consumables of a design: a position that holds one part, or a quantity that goes in the kit."""

    class Purpose(models.TextChoices):
        FITTED = "fitted", _("fitted in a position")
        KIT = "kit", _("carried in the kit")

    class Train(models.TextChoices):
        A = "a", _("train A")
        B = "b", _("train B")
        NONE = "", _("no train")

    design = models.ForeignKey(Design, on_delete=models.CASCADE, related_name="bill")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="bill_lines")
    purpose = models.CharField(max_length=6, choices=Purpose)
    position = models.CharField(_("position"), max_length=40, blank=True)
    train = models.CharField(max_length=1, choices=Train, default=Train.NONE, blank=True)
    qty = models.DecimalField(max_digits=12, decimal_places=3, default=1, validators=[MinValueValidator(0)])
    per_days = models.PositiveSmallIntegerField(
        _("quantity is for so many days"),
        null=True,
        blank=True,
        help_text=_("Empty: the quantity is per mission."),
    )
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["design", "purpose", "position", "item"]
        constraints = [
            span_in_order("design_item_in_order"),
            models.CheckConstraint(
                condition=(Q(purpose="fitted") & ~Q(position="")) | Q(purpose="kit", position=""),
                name="design_item_fitted_has_position",
            ),
            models.CheckConstraint(condition=Q(qty__gt=0), name="design_item_qty_positive"),
            models.UniqueConstraint(
                fields=["design", "position", "valid_from"],
                condition=Q(purpose="fitted"),
                name="design_position_once",
            ),
            models.UniqueConstraint(
                fields=["design", "item", "valid_from"],
                condition=Q(purpose="kit"),
                name="design_kit_item_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.design.code}: {self.item} {self.position}".strip()


class SharedEquipment(models.Model):
    """Slings, tow vehicles, chargers' adaptors: things a depot owns a number of and units compete for."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="shared_equipment")
    name = models.CharField(max_length=80)
    count = models.PositiveSmallIntegerField()
    out_of_order = models.PositiveSmallIntegerField(default=0)
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["place", "name"]
        verbose_name_plural = "shared equipment"
        constraints = [
            span_in_order("shared_equipment_in_order"),
            models.UniqueConstraint(fields=["place", "name", "valid_from"], name="shared_equipment_once"),
        ]

    def __str__(self) -> str:
        return f"{self.place}: {self.name}"


class DesignEquipment(models.Model):
    """How many pieces of a shared equipment one unit of a design needs to leave."""

    design = models.ForeignKey(Design, on_delete=models.CASCADE, related_name="equipment_needs")
    name = models.CharField(max_length=80)
    count = models.PositiveSmallIntegerField(default=1)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["design", "name"], name="design_equipment_once")]

    def __str__(self) -> str:
        return f"{self.design.code}: {self.count} × {self.name}"
