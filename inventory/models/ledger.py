"""The stock ledger. Balances change only together with the movement that explains them."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.models import Deployment, Place, Unit, Versioned
from fleet.models.base import exactly_one_of, span_in_order
from fleet.models.office import ImportRun
from inventory.models.items import Item


class Lot(Versioned):
    """A dated batch of an item; a serialised piece is a lot of one. Valid through `expires_on`."""

    class Status(models.TextChoices):
        GOOD = "good", _("usable")
        QUARANTINE = "quarantine", _("in quarantine")
        RECALLED = "recalled", _("recalled")

    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="lots")
    code = models.CharField(_("lot"), max_length=60)
    serial = models.CharField(_("serial number"), max_length=60, blank=True)
    made_on = models.DateField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    no_expiry = models.BooleanField(_("has no expiry date"), default=False)
    status = models.CharField(max_length=10, choices=Status, default=Status.GOOD)
    funding = models.ForeignKey(
        "inventory.FundingSource", on_delete=models.PROTECT, null=True, blank=True, related_name="lots"
    )
    note = models.CharField(max_length=400, blank=True)
    split_from = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="splits", editable=False
    )

    class Meta:
        ordering = ["item", "expires_on", "code"]
        constraints = [
            models.UniqueConstraint(fields=["item", "code"], name="lot_code_once"),
            models.UniqueConstraint(
                fields=["item", "serial"], condition=~Q(serial=""), name="lot_serial_once"
            ),
            models.CheckConstraint(
                condition=Q(expires_on__isnull=True)
                | Q(made_on__isnull=True)
                | Q(expires_on__gte=models.F("made_on")),
                name="lot_expires_after_made",
                violation_error_message=_("The expiry date lies before the date of manufacture."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item} {self.code}"


class Balance(models.Model):
    """How much of a lot lies in a place or aboard a unit (fitted parts are not in it)."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="balances")
    place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, blank=True, related_name="balances")
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, null=True, blank=True, related_name="balances")
    qty = models.DecimalField(max_digits=12, decimal_places=3, default=0)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(qty__gte=0), name="balance_never_negative"),
            exactly_one_of("balance_place_or_unit", "place", "unit"),
            models.UniqueConstraint(
                fields=["lot", "place"], condition=Q(place__isnull=False), name="balance_lot_place"
            ),
            models.UniqueConstraint(
                fields=["lot", "unit"], condition=Q(unit__isnull=False), name="balance_lot_unit"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lot} in {self.place or self.unit}: {self.qty}"


class FittedPart(Versioned):
    """A part in a position of a unit. `carried_*` is the use it brought along from before this fitting.

    `follows` is the fitting the same piece was in before, whose use it carries. `void`: the fitting was reversed, it
    never was, counts for nothing and stays visible.
    """

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="fitted_parts")
    position = models.CharField(max_length=40)
    train = models.CharField(max_length=1, blank=True)
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="fittings")
    fitted_at = models.DateTimeField()
    removed_at = models.DateTimeField(null=True, blank=True)
    first_fitted_at = models.DateTimeField(null=True, blank=True)
    carried_h = models.FloatField(default=0)
    carried_m3 = models.FloatField(default=0)
    carried_starts = models.PositiveIntegerField(default=0)
    use_known = models.BooleanField(_("earlier use is known"), default=True)
    follows = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="followed_by"
    )
    void = models.BooleanField(_("the fitting was reversed"), default=False)

    class Meta:
        ordering = ["unit", "position", "-fitted_at"]
        constraints = [
            span_in_order("fitted_part_in_order", "fitted_at", "removed_at"),
            models.UniqueConstraint(
                fields=["unit", "position"],
                condition=Q(removed_at__isnull=True),
                name="position_holds_one_part",
                violation_error_message=_("The position already holds a part: remove that first."),
            ),
            models.CheckConstraint(
                condition=Q(carried_h__gte=0, carried_m3__gte=0), name="fitted_part_carried_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(void=False) | Q(removed_at__isnull=False, follows__isnull=True),
                name="fitted_part_void_is_closed",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lot} in {self.unit} {self.position}"


FROM_SOMEWHERE = Q(from_place__isnull=False) | Q(from_unit__isnull=False)
TO_SOMEWHERE = Q(to_place__isnull=False) | Q(to_unit__isnull=False)
FROM_NOWHERE = Q(from_place__isnull=True, from_unit__isnull=True)
TO_NOWHERE = Q(to_place__isnull=True, to_unit__isnull=True)


class Movement(models.Model):
    """One immutable line of the ledger (triggers refuse UPDATE and DELETE). `qty` is always positive.

    From nothing: receipt, count surplus. To nothing: use, scrap, count shortage. Fitting takes a piece out of the
    balance aboard, removal puts it back.
    """

    class Kind(models.TextChoices):
        RECEIPT = "receipt", _("receipt")
        ISSUE = "issue", _("issue to a unit")
        RETURN = "return", _("return to stores")
        TRANSFER = "transfer", _("transfer")
        FIT = "fit", _("fit")
        REMOVE = "remove", _("remove")
        USE = "use", _("use")
        SCRAP = "scrap", _("scrap")
        COUNT = "count", _("count")
        REVERSAL = "reversal", _("reversal")

    kind = models.CharField(max_length=8, choices=Kind)
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="movements")
    qty = models.DecimalField(max_digits=12, decimal_places=3)
    from_place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, related_name="+")
    from_unit = models.ForeignKey(Unit, on_delete=models.PROTECT, null=True, related_name="+")
    to_place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, related_name="+")
    to_unit = models.ForeignKey(Unit, on_delete=models.PROTECT, null=True, related_name="+")
    happened_at = models.DateTimeField(db_index=True)
    recorded_at = models.DateTimeField(default=timezone.now, editable=False)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    token = models.UUIDField(null=True, unique=True, editable=False)
    reason = models.CharField(max_length=400, blank=True)
    reverses = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="reversed_by")
    fitted_part = models.ForeignKey(FittedPart, on_delete=models.PROTECT, null=True, related_name="movements")
    deployment = models.ForeignKey(Deployment, on_delete=models.PROTECT, null=True, related_name="movements")
    import_run = models.ForeignKey(ImportRun, on_delete=models.PROTECT, null=True, related_name="movements")
    counted_qty = models.DecimalField(max_digits=12, decimal_places=3, null=True)

    class Meta:
        ordering = ["-happened_at", "-id"]
        indexes = [models.Index(fields=["lot", "happened_at"]), models.Index(fields=["recorded_at"])]
        constraints = [
            models.CheckConstraint(
                condition=Q(qty__gt=0) | Q(kind__in=["count", "reversal"], qty__gte=0),
                name="movement_qty_positive",
            ),
            models.CheckConstraint(
                condition=Q(from_place__isnull=True) | Q(from_unit__isnull=True), name="movement_one_origin"
            ),
            models.CheckConstraint(
                condition=Q(to_place__isnull=True) | Q(to_unit__isnull=True), name="movement_one_destination"
            ),
            models.CheckConstraint(
                condition=Q(kind="reversal", reverses__isnull=False)
                | (~Q(kind="reversal") & Q(reverses__isnull=True)),
                name="movement_reversal_names_its_movement",
            ),
            # From outside the ledger, to outside it, within it; a count on one side; a reversal on any.
            models.CheckConstraint(
                condition=(Q(kind="receipt") & FROM_NOWHERE & TO_SOMEWHERE)
                | (Q(kind="remove", to_unit__isnull=False) & FROM_NOWHERE)
                | Q(kind="issue", from_place__isnull=False, to_unit__isnull=False)
                | Q(kind="return", from_unit__isnull=False, to_place__isnull=False)
                | (Q(kind="transfer") & FROM_SOMEWHERE & TO_SOMEWHERE)
                | (Q(kind="fit", from_unit__isnull=False) & TO_NOWHERE)
                | (Q(kind__in=["use", "scrap"]) & FROM_SOMEWHERE & TO_NOWHERE)
                | (Q(kind="count") & (FROM_SOMEWHERE & TO_NOWHERE | FROM_NOWHERE & TO_SOMEWHERE))
                | (Q(kind="reversal") & (FROM_SOMEWHERE | TO_SOMEWHERE)),
                name="movement_has_the_ends_of_its_kind",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.qty} × {self.lot}"


class PartDebt(models.Model):
    """Unit `owed_to` gave a part or bank so that another could go; open until the gap is filled again.

    `opened_with` is the movement that took it, `settled_with` the one that filled the gap: whole, since a debt that is
    filled by several movements is split. A debt of a bank has neither.
    """

    class How(models.TextChoices):
        FILLED = "filled", _("the gap was filled")
        REVERSED = "reversed", _("the taking was reversed")

    owed_to = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="debts_open_for_it")
    given_to = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="debts_it_caused")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    bank = models.ForeignKey(
        "fleet.BatteryBank", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    position = models.CharField(max_length=40, blank=True)
    qty = models.DecimalField(max_digits=12, decimal_places=3, default=1)
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    settled_how = models.CharField(max_length=8, choices=How, blank=True)
    opened_with = models.ForeignKey(
        Movement, on_delete=models.PROTECT, null=True, blank=True, related_name="debts_opened"
    )
    settled_with = models.ForeignKey(
        Movement, on_delete=models.PROTECT, null=True, blank=True, related_name="debts_settled"
    )
    token = models.UUIDField(null=True, blank=True, unique=True, editable=False)
    note = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["-opened_at"]
        constraints = [
            exactly_one_of("part_debt_item_or_bank", "item", "bank"),
            models.CheckConstraint(condition=Q(qty__gt=0), name="part_debt_qty_positive"),
            models.CheckConstraint(
                condition=Q(settled_at__isnull=True, settled_how="", settled_with__isnull=True)
                | (Q(settled_at__isnull=False) & ~Q(settled_how="")),
                name="part_debt_settled_says_how",
            ),
            models.CheckConstraint(condition=~Q(owed_to=models.F("given_to")), name="part_debt_two_units"),
        ]

    def __str__(self) -> str:
        return f"{self.owed_to} is owed {self.item or self.bank} by {self.given_to}"
