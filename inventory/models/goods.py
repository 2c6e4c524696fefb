"""Dangerous goods aboard a unit: what an item is to the rules, the lines of a unit's list, and the dated checks on them."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.models import BatteryBank, Correctable, Unit, Versioned
from fleet.models.base import exactly_one_of, struck_has_reason
from inventory.models.items import Item


class GoodsKind(models.TextChoices):
    """Kinds of `fleet.domain.dangerous_goods.records`, and the statement that something is none."""

    NONE = "none", _("not dangerous goods")
    BATTERY = "battery", _("battery")
    LAMP = "lamp", _("lamp with mercury")
    CARBON = "carbon", _("activated carbon")
    NADCC = "nadcc", _("chlorine tablets (dichloroisocyanurate)")
    ENGINE = "engine", _("engine or fuelled machine")
    GOODS = "goods", _("other goods with a UN number")


class ItemGoods(Versioned):
    """What an item of the stores is to the transport rules. An item without this row: nobody has said, cannot be decided."""

    item = models.OneToOneField(Item, on_delete=models.CASCADE, related_name="goods")
    kind = models.CharField(_("it is"), max_length=8, choices=GoodsKind)
    attributes = models.JSONField(
        default=dict, blank=True, help_text=_("Facts by name, as in fleet.domain.dangerous_goods.records")
    )
    removable = models.BooleanField(_("can be sent apart or bought there"), default=True)
    source = models.CharField(_("where this is written"), max_length=200, blank=True)

    class Meta:
        verbose_name_plural = "item goods"

    def __str__(self) -> str:
        return f"{self.item}: {self.get_kind_display()}"


class GoodsLine(Correctable):
    """A thing aboard that neither the banks nor the ledger tell: a phone, an extinguisher, an engine, a jerrycan.

    Taken off the list by striking it out, with the reason; that voids the confirmation of the list.
    """

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="goods_lines")
    label = models.CharField(_("what it is"), max_length=80)
    kind = models.CharField(_("kind"), max_length=8, choices=GoodsKind)
    attributes = models.JSONField(default=dict, blank=True)
    pieces = models.PositiveIntegerField(_("how many"), default=1, validators=[MinValueValidator(1)])
    mass_kg = models.FloatField(_("mass of all together"), null=True, blank=True)
    removable = models.BooleanField(_("can be sent apart or bought there"), default=False)
    source = models.CharField(_("where this is written"), max_length=200, blank=True)

    class Meta:
        ordering = ["unit", "label", "id"]
        constraints = [
            struck_has_reason("goods_line_struck_reason"),
            models.CheckConstraint(
                condition=Q(mass_kg__isnull=True) | Q(mass_kg__gt=0), name="goods_line_mass_positive"
            ),
            models.CheckConstraint(condition=Q(pieces__gt=0) & ~Q(label=""), name="goods_line_is_something"),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.label}"


class GoodsCheck(Correctable):
    """A dated look at a bank or a line of the list. It goes stale by the owner's transport terms."""

    class Kind(models.TextChoices):
        CONDITION = "condition", _("condition of the battery")
        TERMINALS = "terminals", _("terminals covered")
        UPRIGHT = "upright", _("fixed so that it can only stay upright")
        TICKS_ADR = "ticks_adr", _("conditions of ADR SP 598 ticked off")
        TICKS_US = "ticks_us", _("conditions of 49 CFR 173.159(e) ticked off")
        TANK = "tank", _("state of the fuel tank")
        CHARGE = "charge", _("charge of the battery")

    class Answer(models.TextChoices):
        YES = "yes", _("yes")
        NO = "no", _("no")
        OK = "ok", _("sound")
        DAMAGED = "damaged", _("damaged or defective")
        RECALLED = "recalled", _("recalled by the maker")
        CRITICAL = "critical", _("may react dangerously")
        NEVER_FUELLED = "never_fuelled", _("never fuelled")
        DRAINED_PURGED = "drained_purged", _("drained and purged")
        DRAINED = "drained", _("drained")
        IN_TANK = "in_tank", _("fuel in the tank")
        MEASURED = "measured", _("measured by its own meter or display")

    ANSWERS_OF: dict[str, tuple[str, ...]] = {
        Kind.CONDITION: (Answer.OK, Answer.DAMAGED, Answer.RECALLED, Answer.CRITICAL),
        Kind.TANK: (Answer.NEVER_FUELLED, Answer.DRAINED_PURGED, Answer.DRAINED, Answer.IN_TANK),
        Kind.TERMINALS: (Answer.YES, Answer.NO),
        Kind.UPRIGHT: (Answer.YES, Answer.NO),
        Kind.TICKS_ADR: (Answer.YES, Answer.NO),
        Kind.TICKS_US: (Answer.YES, Answer.NO),
        Kind.CHARGE: (Answer.MEASURED,),
    }

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="goods_checks")
    bank = models.ForeignKey(
        BatteryBank, on_delete=models.PROTECT, null=True, blank=True, related_name="goods_checks"
    )
    line = models.ForeignKey(
        GoodsLine, on_delete=models.PROTECT, null=True, blank=True, related_name="checks"
    )
    kind = models.CharField(max_length=10, choices=Kind)
    answer = models.CharField(max_length=14, choices=Answer)
    fill_pct = models.FloatField(
        _("tank filled to"), null=True, blank=True, validators=[MinValueValidator(0), MaxValueValidator(100)]
    )
    fuel_l = models.FloatField(_("fuel"), null=True, blank=True, validators=[MinValueValidator(0)])
    soc_pct = models.FloatField(
        _("charged to"),
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(100)],
        help_text=_("% of the rated capacity; the fullest of several. A resting voltage proves none."),
    )
    note = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["unit", "-happened_at"]
        constraints = [
            struck_has_reason("goods_check_struck_reason"),
            exactly_one_of("goods_check_bank_or_line", "bank", "line"),
            models.CheckConstraint(
                condition=Q(kind="tank", answer__in=["never_fuelled", "drained_purged", "drained", "in_tank"])
                | Q(kind="condition", answer__in=["ok", "damaged", "recalled", "critical"])
                | Q(kind__in=["terminals", "upright", "ticks_adr", "ticks_us"], answer__in=["yes", "no"])
                | Q(kind="charge", answer="measured"),
                name="goods_check_answer_of_kind",
                violation_error_message=_("That is no answer to this check."),
            ),
            models.CheckConstraint(
                condition=(Q(fill_pct__isnull=True) | Q(fill_pct__gte=0, fill_pct__lte=100))
                & (Q(fuel_l__isnull=True) | Q(fuel_l__gte=0)),
                name="goods_check_tank_in_range",
            ),
            models.CheckConstraint(
                condition=(Q(kind="charge") & Q(soc_pct__gte=0, soc_pct__lte=100) & Q(soc_pct__isnull=False))
                | (~Q(kind="charge") & Q(soc_pct__isnull=True)),
                name="goods_check_charge_is_measured",
                violation_error_message=_(
                    "A look at the charge says how full it is, from 0 to 100 %; no other does."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.get_kind_display()} {self.get_answer_display()}"


class GoodsListCheck(Correctable):
    """Someone says: these are all the dangerous goods aboard. It holds while every line named then is still there."""

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="goods_list_checks")
    keys = models.JSONField(_("the lines as they were"), default=list)
    note = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["unit", "-happened_at"]
        constraints = [struck_has_reason("goods_list_check_struck_reason")]

    def __str__(self) -> str:
        return f"{self.unit}: list of goods complete"
