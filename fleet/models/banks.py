"""Battery banks and the blocks in them: both have serials and histories, both move."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.db.models.functions import Upper
from django.utils.translation import gettext_lazy as _

from fleet.models.base import Correctable, Versioned, exactly_one_of, span_in_order, struck_has_reason
from fleet.models.places import Place
from fleet.models.units import Unit
from fleet.querysets import StayQuerySet


class Chemistry(models.TextChoices):
    """Codes of the table `battery_chemistries.csv`; a test keeps the two lists equal."""

    VRLA_GEL = "vrla_gel", _("gel (valve-regulated lead-acid)")
    VRLA_AGM = "vrla_agm", _("AGM (valve-regulated lead-acid)")
    FLOODED_SB = "flooded_sb", _("flooded lead-acid, high antimony")
    FLOODED_LOW_SB = "flooded_low_sb", _("flooded lead-acid, low antimony")
    FLOODED_CA = "flooded_ca", _("flooded lead-acid, calcium")
    LFP = "lfp", _("lithium iron phosphate")
    NMC = "nmc", _("lithium nickel manganese cobalt")
    NIMH = "nimh", _("nickel-metal hydride")
    NIMH_LSD = "nimh_lsd", _("nickel-metal hydride, low self-discharge")
    NICD_VENTED = "nicd_vented", _("nickel-cadmium, vented")
    NICD_SEALED = "nicd_sealed", _("nickel-cadmium, sealed")


class BatteryBank(Versioned):
    """Blocks in series and parallel of one chemistry. Empty overrides mean: the chemistry's table decides."""

    serial = models.CharField(_("serial number"), max_length=60)
    chemistry = models.CharField(_("chemistry"), max_length=20, choices=Chemistry)
    capacity_ah = models.FloatField(_("rated capacity"))
    cells_in_series = models.PositiveSmallIntegerField(_("cells in series"))
    strings = models.PositiveSmallIntegerField(_("parallel strings"), default=1)
    made_on = models.DateField(_("made on"), null=True, blank=True)
    design_life_years = models.FloatField(_("design life"), null=True, blank=True)
    standby_ma = models.FloatField(
        _("standby draw"),
        null=True,
        blank=True,
        help_text=_("Measured with the isolator closed. Empty: not known."),
    )
    standby_measured_on = models.DateField(null=True, blank=True)
    charger_a = models.FloatField(_("charger current"), null=True, blank=True)
    floor_soc = models.FloatField(
        _("floor"), null=True, blank=True, validators=[MinValueValidator(0), MaxValueValidator(1)]
    )
    depart_soc = models.FloatField(
        _("charge state to leave with"),
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(1)],
    )
    sd_pct_month = models.FloatField(_("maker's self-discharge per 30 days, %"), null=True, blank=True)
    maker_interval_days = models.PositiveSmallIntegerField(
        _("maker's longest charge interval"), null=True, blank=True
    )
    sg_full = models.FloatField(_("specific gravity when full"), null=True, blank=True)
    sg_empty = models.FloatField(_("specific gravity when empty"), null=True, blank=True)
    retired_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["serial"]
        constraints = [
            models.UniqueConstraint(Upper("serial"), name="bank_serial_once"),
            models.CheckConstraint(
                condition=Q(capacity_ah__gt=0),
                name="bank_capacity_positive",
                violation_error_message=_("The capacity must be more than 0 Ah."),
            ),
            models.CheckConstraint(
                condition=Q(cells_in_series__gt=0, strings__gt=0), name="bank_cells_positive"
            ),
            models.CheckConstraint(
                condition=Q(standby_ma__isnull=True) | Q(standby_ma__gte=0), name="bank_standby_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(floor_soc__isnull=True) | Q(floor_soc__gte=0, floor_soc__lte=1),
                name="bank_floor_in_range",
            ),
            models.CheckConstraint(
                condition=Q(depart_soc__isnull=True) | Q(depart_soc__gte=0, depart_soc__lte=1),
                name="bank_depart_in_range",
            ),
        ]

    def __str__(self) -> str:
        return self.serial


class BankStay(models.Model):
    """Where a bank is: in a position of a unit, or on the shelf of a place."""

    bank = models.ForeignKey(BatteryBank, on_delete=models.CASCADE, related_name="stays")
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, null=True, blank=True, related_name="bank_stays")
    position = models.CharField(max_length=30, default="main")
    place = models.ForeignKey(
        Place, on_delete=models.PROTECT, null=True, blank=True, related_name="bank_stays"
    )
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = StayQuerySet.as_manager()

    class Meta:
        ordering = ["bank", "-started_at"]
        constraints = [
            exactly_one_of("bank_stay_unit_or_place", "unit", "place"),
            span_in_order("bank_stay_in_order", "started_at", "ended_at"),
            models.UniqueConstraint(
                fields=["bank"], condition=Q(ended_at__isnull=True), name="bank_stay_one_open"
            ),
            models.UniqueConstraint(
                fields=["unit", "position"],
                condition=Q(ended_at__isnull=True, unit__isnull=False),
                name="bank_position_holds_one",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bank} in {self.unit or self.place}"


class BatteryBlock(Versioned):
    serial = models.CharField(_("serial number"), max_length=60)
    chemistry = models.CharField(max_length=20, choices=Chemistry)
    made_on = models.DateField(null=True, blank=True)
    baseline_mohm = models.FloatField(_("ohmic baseline"), null=True, blank=True)
    retired_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["serial"]
        constraints = [models.UniqueConstraint(Upper("serial"), name="block_serial_once")]

    def __str__(self) -> str:
        return self.serial


class BlockStay(models.Model):
    block = models.ForeignKey(BatteryBlock, on_delete=models.CASCADE, related_name="stays")
    bank = models.ForeignKey(
        BatteryBank, on_delete=models.PROTECT, null=True, blank=True, related_name="block_stays"
    )
    position = models.CharField(max_length=30, blank=True)
    place = models.ForeignKey(
        Place, on_delete=models.PROTECT, null=True, blank=True, related_name="block_stays"
    )
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = StayQuerySet.as_manager()

    class Meta:
        ordering = ["block", "-started_at"]
        constraints = [
            exactly_one_of("block_stay_bank_or_place", "bank", "place"),
            span_in_order("block_stay_in_order", "started_at", "ended_at"),
            models.UniqueConstraint(
                fields=["block"], condition=Q(ended_at__isnull=True), name="block_stay_one_open"
            ),
            models.UniqueConstraint(
                fields=["bank", "position"],
                condition=Q(ended_at__isnull=True, bank__isnull=False),
                name="block_position_holds_one",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.block} in {self.bank or self.place}"


class SupplyState(Correctable):
    """How a bank is connected from an instant on. A row of the same kind again is the proof that it still holds.

    `on_float` is believed only for `check_interval_days` after the last proof; then the bank is computed as
    disconnected since that proof.
    """

    class Kind(models.TextChoices):
        ISOLATED = "isolated", _("isolated")
        STANDBY = "standby", _("standby loads on")
        FLOAT = "float", _("on float")
        OWN_ARRAY = "own_array", _("own array")

    bank = models.ForeignKey(BatteryBank, on_delete=models.PROTECT, related_name="supply_states")
    kind = models.CharField(max_length=10, choices=Kind)
    check_interval_days = models.PositiveSmallIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["bank", "-happened_at"]
        constraints = [struck_has_reason("supply_state_struck_reason")]

    def __str__(self) -> str:
        return f"{self.bank}: {self.get_kind_display()}"
