"""What people measure, charge, inspect and repair."""

from __future__ import annotations

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.models import BatteryBank, Correctable, Design, Place, Unit, Versioned
from fleet.models.base import COUNTING, span_in_order, struck_has_reason
from inventory.models import Item
from readiness.querysets import ChargeQuerySet, FaultQuerySet


class Reading(Correctable):
    """A look at a bank: rest voltage, specific gravity or the value of its own meter, with temperature and rest time."""

    class Kind(models.TextChoices):
        VOLTAGE = "voltage", _("rest voltage")
        GRAVITY = "gravity", _("specific gravity")
        METER = "meter", _("charge state on its meter")

    bank = models.ForeignKey(BatteryBank, on_delete=models.PROTECT, related_name="readings")
    kind = models.CharField(max_length=8, choices=Kind, default=Kind.VOLTAGE)
    volts_v = models.FloatField(_("voltage of the bank"), null=True, blank=True)
    gravity_sg = models.FloatField(_("specific gravity"), null=True, blank=True)
    meter_soc = models.FloatField(
        _("charge state shown"),
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(1)],
    )
    temp_c = models.FloatField(_("battery temperature"), null=True, blank=True)
    rest_h = models.FloatField(_("hours at rest"), null=True, blank=True, validators=[MinValueValidator(0)])
    lowest_block_v = models.FloatField(_("lowest block"), null=True, blank=True)
    note = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["bank", "-happened_at"]
        indexes = [models.Index(fields=["bank", "happened_at"]), models.Index(fields=["recorded_at"])]
        constraints = [
            struck_has_reason("reading_struck_reason"),
            models.UniqueConstraint(fields=["bank", "happened_at"], condition=COUNTING, name="reading_once"),
            models.CheckConstraint(
                condition=Q(kind="voltage", volts_v__isnull=False)
                | Q(kind="gravity", gravity_sg__isnull=False)
                | Q(kind="meter", meter_soc__isnull=False, meter_soc__gte=0, meter_soc__lte=1),
                name="reading_has_its_value",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bank} {self.happened_at:%Y-%m-%d %H:%M}"


class Charge(Correctable):
    """One charge of a bank; `happened_at` is its start. Only a completed one resets the interval.

    Completed: its end sign was recorded and the hours were enough. Anything else credits only `ah_in`.
    """

    class EndSign(models.TextChoices):
        NONE = "", _("none recorded")
        CURRENT_STEADY = "current_steady", _("current steady for three hours")
        TAIL_CURRENT = "tail_current", _("current at the tail limit, hold done")
        GRAVITY_STEADY = "gravity_steady", _("gravity steady for three hours")
        CHARGER_FULL = "charger_full", _("charger says full, hold done")
        BMS_FULL = "bms_full", _("battery management says full")
        DELTA_V = "delta_v", _("voltage drop or timer (nickel)")

    class Purpose(models.TextChoices):
        MAINTENANCE = "maintenance", _("maintenance charge")
        DEPART = "depart", _("charge to leave")
        AFTER_USE = "after_use", _("charge after use")

    bank = models.ForeignKey(BatteryBank, on_delete=models.PROTECT, related_name="charges")
    purpose = models.CharField(max_length=12, choices=Purpose, default=Purpose.MAINTENANCE)
    planned_end_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    end_recorded_at = models.DateTimeField(null=True, blank=True, editable=False)
    end_sign = models.CharField(max_length=16, choices=EndSign, default=EndSign.NONE, blank=True)
    to_soc = models.FloatField(
        _("charged to"),
        null=True,
        blank=True,
        help_text=_("Empty means full. Lithium in store is charged to less."),
    )
    ah_in = models.FloatField(_("charge put in"), null=True, blank=True, validators=[MinValueValidator(0)])
    energy_kwh = models.FloatField(_("energy from the wall"), null=True, blank=True)
    bay = models.CharField(_("charger bay"), max_length=20, blank=True)
    place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, blank=True, related_name="charges")
    tripped = models.BooleanField(_("the charger tripped"), default=False)
    note = models.CharField(max_length=400, blank=True)

    objects = ChargeQuerySet.as_manager()  # type: ignore[misc]

    class Meta:
        ordering = ["bank", "-happened_at"]
        indexes = [
            models.Index(fields=["bank", "happened_at"]),
            models.Index(fields=["recorded_at"]),
            models.Index(fields=["ended_at"]),
        ]
        constraints = [
            struck_has_reason("charge_struck_reason"),
            span_in_order("charge_in_order", "happened_at", "ended_at"),
            models.UniqueConstraint(fields=["bank", "happened_at"], condition=COUNTING, name="charge_once"),
            models.UniqueConstraint(
                fields=["bank"],
                condition=COUNTING & Q(ended_at__isnull=True),
                name="charge_one_open",
                violation_error_message=_("A charge of this bank is already running: end that first."),
            ),
            models.CheckConstraint(
                condition=Q(to_soc__isnull=True) | Q(to_soc__gt=0, to_soc__lte=1),
                name="charge_to_soc_in_range",
            ),
            models.CheckConstraint(
                condition=Q(ah_in__isnull=True) | Q(ah_in__gte=0), name="charge_ah_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bank} {self.happened_at:%Y-%m-%d %H:%M}"


class BankTest(Correctable):
    """A capacity test or an ohmic test of a bank."""

    class Kind(models.TextChoices):
        CAPACITY = "capacity", _("capacity test")
        OHMIC = "ohmic", _("ohmic test")

    bank = models.ForeignKey(BatteryBank, on_delete=models.PROTECT, related_name="tests")
    kind = models.CharField(max_length=8, choices=Kind)
    capacity_ah = models.FloatField(null=True, blank=True)
    worst_ratio = models.FloatField(_("worst block against its baseline"), null=True, blank=True)
    temp_c = models.FloatField(null=True, blank=True)
    note = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["bank", "-happened_at"]
        constraints = [
            struck_has_reason("bank_test_struck_reason"),
            models.UniqueConstraint(
                fields=["bank", "kind", "happened_at"], condition=COUNTING, name="bank_test_once"
            ),
            models.CheckConstraint(
                condition=Q(kind="capacity", capacity_ah__isnull=False, capacity_ah__gt=0)
                | Q(kind="ohmic", worst_ratio__isnull=False, worst_ratio__gt=0),
                name="bank_test_has_its_value",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bank}: {self.get_kind_display()}"


class InspectionType(Versioned):
    """An inspection that units fall due for. No design named: it concerns every design."""

    code = models.CharField(max_length=30, unique=True)
    name = models.CharField(max_length=120)
    designs = models.ManyToManyField(Design, blank=True, related_name="inspection_types")
    interval_days = models.PositiveSmallIntegerField()
    grounds_unit = models.BooleanField(_("a unit cannot leave when it has lapsed"), default=True)
    work_h = models.FloatField(_("hours of work"), null=True, blank=True)
    crew = models.PositiveSmallIntegerField(_("people needed"), default=1)
    by_whom = models.CharField(max_length=80, blank=True)
    accept = models.CharField(_("passes when"), max_length=200, blank=True)
    source = models.CharField(max_length=200, blank=True)
    active_from = models.DateField()
    active_to = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            span_in_order("inspection_type_in_order", "active_from", "active_to"),
            models.CheckConstraint(condition=Q(interval_days__gt=0), name="inspection_interval_positive"),
        ]

    def __str__(self) -> str:
        return self.name


class Inspection(Correctable):
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="inspections")
    type = models.ForeignKey(InspectionType, on_delete=models.PROTECT, related_name="inspections")
    passed = models.BooleanField()
    note = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["unit", "type", "-happened_at"]
        indexes = [models.Index(fields=["unit", "type", "happened_at"])]
        constraints = [
            struck_has_reason("inspection_struck_reason"),
            models.UniqueConstraint(
                fields=["unit", "type", "happened_at"], condition=COUNTING, name="inspection_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.type}"


class Fault(Correctable):
    class Severity(models.TextChoices):
        BLOCKS = "blocks", _("the unit cannot work")
        DEGRADES = "degrades", _("the unit works with less")
        MINOR = "minor", _("minor")

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="faults")
    description = models.CharField(max_length=400)
    severity = models.CharField(max_length=8, choices=Severity)
    mend_h = models.FloatField(_("hours to mend"), null=True, blank=True, validators=[MinValueValidator(0)])
    mend_here = models.BooleanField(_("can be mended at the depot"), default=True)
    crew = models.PositiveSmallIntegerField(default=1)
    part_item = models.ForeignKey(Item, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    part_qty = models.DecimalField(max_digits=12, decimal_places=3, null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    end_recorded_at = models.DateTimeField(null=True, blank=True, editable=False)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    closing_note = models.CharField(max_length=400, blank=True)

    objects = FaultQuerySet.as_manager()  # type: ignore[misc]

    class Meta:
        ordering = ["unit", "-happened_at"]
        constraints = [
            struck_has_reason("fault_struck_reason"),
            span_in_order("fault_in_order", "happened_at", "closed_at"),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.description}"


class Task(Versioned):
    """Work on a unit that a person writes down and a named person takes."""

    class State(models.TextChoices):
        OPEN = "open", _("open")
        DONE = "done", _("done")
        DROPPED = "dropped", _("dropped")

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="tasks")
    title = models.CharField(max_length=200)
    state = models.CharField(max_length=8, choices=State, default=State.OPEN)
    due_on = models.DateField(null=True, blank=True)
    work_h = models.FloatField(null=True, blank=True)
    taken_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="tasks_taken"
    )
    created_at = models.DateTimeField(auto_now_add=True)
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["due_on", "id"]

    def __str__(self) -> str:
        return self.title
