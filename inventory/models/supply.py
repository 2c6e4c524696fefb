"""Suppliers, orders, stock policies and funding sources."""

from __future__ import annotations

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.models import Place, Versioned
from fleet.models.base import span_in_order
from fleet.querysets import SpanQuerySet
from inventory.models.items import Item
from inventory.models.ledger import Lot, Movement
from inventory.querysets import OrderLineQuerySet, OrderQuerySet, ReceiptQuerySet


class FundingSource(Versioned):
    """Money with limits: what it may be spent on, where, and until when."""

    code = models.CharField(max_length=30, unique=True)
    name = models.CharField(max_length=120)
    countries = models.CharField(_("only for countries (ISO codes)"), max_length=200, blank=True)
    purpose = models.CharField(max_length=200, blank=True)
    ends_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name


class Supplier(Versioned):
    code = models.CharField(max_length=30, unique=True)
    name = models.CharField(max_length=120)
    mail = models.EmailField(blank=True)
    note = models.TextField(blank=True)
    closed_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name


class SupplyOffer(models.Model):
    """What a supplier asks for an item over a span of days; one row per price break."""

    supplier = models.ForeignKey(Supplier, on_delete=models.CASCADE, related_name="offers")
    item = models.ForeignKey(Item, on_delete=models.CASCADE, related_name="supply_offers")
    pack_qty = models.DecimalField(
        max_digits=12, decimal_places=3, default=1, validators=[MinValueValidator(0)]
    )
    from_qty = models.DecimalField(_("from this quantity"), max_digits=12, decimal_places=3, default=0)
    price = models.DecimalField(_("price per base unit"), max_digits=12, decimal_places=4)
    currency = models.CharField(max_length=3)
    lead_time_days = models.PositiveSmallIntegerField()
    shelf_life_on_arrival_days = models.PositiveSmallIntegerField(null=True, blank=True)
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["item", "supplier", "from_qty"]
        constraints = [
            span_in_order("supply_offer_in_order"),
            models.CheckConstraint(condition=Q(price__gte=0, pack_qty__gt=0), name="supply_offer_positive"),
            models.UniqueConstraint(
                fields=["supplier", "item", "from_qty", "valid_from"], name="supply_offer_break_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.supplier}: {self.item}"


class Order(Versioned):
    class State(models.TextChoices):
        DRAFT = "draft", _("draft")
        APPROVED = "approved", _("approved")
        SENT = "sent", _("sent")
        CONFIRMED = "confirmed", _("confirmed")
        CLOSED = "closed", _("closed")
        CANCELLED = "cancelled", _("cancelled")

    code = models.CharField(max_length=30, unique=True)
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="orders")
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="orders")
    state = models.CharField(max_length=10, choices=State, default=State.DRAFT)
    currency = models.CharField(max_length=3)
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approved_at = models.DateTimeField(null=True, blank=True, editable=False)
    sent_on = models.DateField(null=True, blank=True)
    confirmed_on = models.DateField(null=True, blank=True)
    promised_on = models.DateField(null=True, blank=True)
    their_ref = models.CharField(_("the supplier's own number"), max_length=60, blank=True)
    closed_on = models.DateField(null=True, blank=True)
    end_reason = models.CharField(_("why it was cancelled or closed short"), max_length=400, blank=True)
    note = models.CharField(_("note to the supplier"), max_length=400, blank=True)
    token = models.UUIDField(null=True, blank=True, unique=True, editable=False)

    objects = OrderQuerySet.as_manager()

    class Meta:
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return self.code


class ApprovalLimit(Versioned):
    """Up to this total whoever wrote an order may approve it; above it, or in a currency without a limit, another person."""

    currency = models.CharField(_("currency"), max_length=3, unique=True)
    amount = models.DecimalField(_("approved by another person above"), max_digits=12, decimal_places=2)

    class Meta:
        ordering = ["currency"]
        constraints = [models.CheckConstraint(condition=Q(amount__gte=0), name="approval_limit_not_negative")]

    def __str__(self) -> str:
        return f"{self.amount} {self.currency}"


class OrderLine(models.Model):
    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lines")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="order_lines")
    qty = models.DecimalField(max_digits=12, decimal_places=3, validators=[MinValueValidator(0)])
    price = models.DecimalField(max_digits=12, decimal_places=4)
    promised_on = models.DateField(_("promised for"), null=True, blank=True)
    funding = models.ForeignKey(
        FundingSource, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    objects = OrderLineQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(qty__gt=0, price__gte=0), name="order_line_positive")
        ]

    def __str__(self) -> str:
        return f"{self.order}: {self.item}"


class Receipt(models.Model):
    """Part or all of an order line as it came in, bound to the movement that booked it; it counts while that does."""

    line = models.ForeignKey(OrderLine, on_delete=models.PROTECT, related_name="receipts")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="receipts")
    movement = models.OneToOneField(Movement, on_delete=models.PROTECT, related_name="order_receipt")
    received_on = models.DateField()
    damaged_qty = models.DecimalField(max_digits=12, decimal_places=3, default=0)
    note = models.CharField(max_length=400, blank=True)

    objects = ReceiptQuerySet.as_manager()

    class Meta:
        ordering = ["-received_on"]
        constraints = [
            models.CheckConstraint(condition=Q(damaged_qty__gte=0), name="receipt_damaged_not_negative")
        ]

    def __str__(self) -> str:
        return f"{self.line} on {self.received_on}"


class StockPolicy(models.Model):
    item = models.ForeignKey(Item, on_delete=models.CASCADE, related_name="policies")
    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="stock_policies")
    reorder_point = models.DecimalField(max_digits=12, decimal_places=3)
    order_up_to = models.DecimalField(max_digits=12, decimal_places=3)
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)

    objects = SpanQuerySet.as_manager()

    class Meta:
        ordering = ["item", "place", "-valid_from"]
        verbose_name_plural = "stock policies"
        constraints = [
            span_in_order("stock_policy_in_order"),
            models.UniqueConstraint(fields=["item", "place", "valid_from"], name="stock_policy_once"),
            models.CheckConstraint(
                condition=Q(reorder_point__gte=0, order_up_to__gte=models.F("reorder_point")),
                name="stock_policy_order_up_to_above",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item} in {self.place}"
