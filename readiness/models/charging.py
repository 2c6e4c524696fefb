"""What a charge rests on besides the bank: how its charger is set, and the room and circuit in which a depot charges."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.models import BatteryBank, Place, Versioned


class BankCharger(Versioned):
    """How the charger of a bank is set, and what the maker states. Empty: not known, the chemistry's table counts."""

    bank = models.OneToOneField(BatteryBank, on_delete=models.CASCADE, related_name="charger")
    charger_v = models.FloatField(
        _("absorption voltage set on the charger"),
        null=True,
        blank=True,
        validators=[MinValueValidator(0.5), MaxValueValidator(1500)],
        help_text=_("Of the whole bank, as measured or shown with the charge running."),
    )
    absorb_v_cell = models.FloatField(
        _("maker's absorption voltage of a cell at 25 °C"),
        null=True,
        blank=True,
        validators=[MinValueValidator(1.0), MaxValueValidator(4.5)],
    )
    float_v_cell = models.FloatField(
        _("maker's float voltage of a cell at 25 °C"),
        null=True,
        blank=True,
        validators=[MinValueValidator(1.0), MaxValueValidator(4.5)],
    )
    comp_mv_cell_k = models.FloatField(
        _("maker's compensation of a cell, mV for each kelvin"),
        null=True,
        blank=True,
        validators=[MinValueValidator(-10), MaxValueValidator(0)],
        help_text=_("Negative: less voltage when warm."),
    )
    gas_ma_ah = models.FloatField(
        _("maker's gas current at the end of a charge, mA for each Ah"),
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(1000)],
    )
    source = models.CharField(_("where it is written"), max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(charger_v__isnull=True) | Q(charger_v__gt=0), name="bank_charger_volts_positive"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bank}"


class ChargingRoom(Versioned):
    """The room in which a depot charges and the circuit that feeds its chargers. Empty: not known."""

    place = models.OneToOneField(Place, on_delete=models.CASCADE, related_name="charging_room")
    inlet_cm2 = models.FloatField(
        _("free opening low down"), null=True, blank=True, validators=[MinValueValidator(0)]
    )
    outlet_cm2 = models.FloatField(
        _("free opening high up"), null=True, blank=True, validators=[MinValueValidator(0)]
    )
    free_volume_m3 = models.FloatField(
        _("free volume of the room"), null=True, blank=True, validators=[MinValueValidator(0)]
    )
    fan_m3_h = models.FloatField(
        _("air that a fan moves"),
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
        help_text=_("0: there is no fan."),
    )
    fan_interlocked = models.BooleanField(
        _("no charger runs without the fan"), null=True, blank=True, help_text=_("Empty: not known.")
    )
    temp_high_c = models.FloatField(
        _("warmest it gets there"),
        null=True,
        blank=True,
        validators=[MinValueValidator(-40), MaxValueValidator(70)],
    )
    circuit_v = models.FloatField(
        _("voltage of the circuit"),
        null=True,
        blank=True,
        validators=[MinValueValidator(24), MaxValueValidator(1000)],
    )
    circuit_phases = models.PositiveSmallIntegerField(
        _("phases"), default=1, choices=[(1, _("one phase")), (3, _("three phases"))]
    )
    power_factor = models.FloatField(
        _("power factor of the charger"),
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(1)],
    )
    breaker_a = models.FloatField(
        _("rating of the breaker"),
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(6000)],
    )
    source = models.CharField(_("who measured it, where it is written"), max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=(Q(inlet_cm2__isnull=True) | Q(inlet_cm2__gte=0))
                & (Q(outlet_cm2__isnull=True) | Q(outlet_cm2__gte=0))
                & (Q(free_volume_m3__isnull=True) | Q(free_volume_m3__gte=0))
                & (Q(fan_m3_h__isnull=True) | Q(fan_m3_h__gte=0)),
                name="charging_room_not_negative",
            ),
            models.CheckConstraint(
                condition=(Q(circuit_v__isnull=True) | Q(circuit_v__gt=0))
                & (Q(breaker_a__isnull=True) | Q(breaker_a__gt=0))
                & (Q(power_factor__isnull=True) | Q(power_factor__gt=0, power_factor__lte=1)),
                name="charging_room_circuit_positive",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place}"
