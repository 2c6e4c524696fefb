"""The stores in the admin site. The ledger is only looked at; lots and rows people edit go through the services."""

from typing import Any

from django.contrib import admin
from django.db import models
from django.http import HttpRequest
from django.utils.translation import gettext_lazy as _

from fleet.web.admin_kinds import EditedAdmin, ReadOnlyAdmin, RecordAdmin, actor_of
from inventory.models import (
    ApprovalLimit,
    Balance,
    DesignEquipment,
    DesignItem,
    FittedPart,
    FundingSource,
    GoodsCheck,
    GoodsLine,
    GoodsListCheck,
    Item,
    ItemGoods,
    LifeExtension,
    Lot,
    Movement,
    Order,
    OrderLine,
    PartDebt,
    Receipt,
    SharedEquipment,
    StockPolicy,
    Supplier,
    SupplyOffer,
)
from inventory.services.goods import item_goods_save
from inventory.services.lots import lot_create, lot_update

MARKS = ("expires_on", "no_expiry", "made_on", "serial", "funding", "note")


@admin.register(Movement)
class MovementAdmin(ReadOnlyAdmin):
    list_display = (
        "happened_at",
        "kind",
        "lot",
        "qty",
        "from_place",
        "from_unit",
        "to_place",
        "to_unit",
        "recorded_by",
        "reverses",
    )
    list_filter = ("kind", "happened_at")
    list_select_related = (
        "lot__item",
        "from_place",
        "from_unit",
        "to_place",
        "to_unit",
        "recorded_by",
        "reverses__lot__item",
    )
    search_fields = ("lot__code", "lot__serial", "lot__item__code", "lot__item__name", "reason")


@admin.register(Balance)
class BalanceAdmin(ReadOnlyAdmin):
    list_display = ("lot", "place", "unit", "qty")
    list_filter = ("place",)
    list_select_related = ("lot__item", "place", "unit")
    search_fields = ("lot__code", "lot__item__code", "lot__item__name", "unit__tag")


@admin.register(FittedPart)
class FittedPartAdmin(ReadOnlyAdmin):
    list_display = ("unit", "position", "lot", "fitted_at", "removed_at", "carried_h", "use_known", "void")
    list_select_related = ("unit", "lot__item")
    search_fields = ("unit__tag", "position", "lot__code", "lot__serial")


@admin.register(PartDebt)
class PartDebtAdmin(ReadOnlyAdmin):
    list_display = (
        "owed_to",
        "given_to",
        "item",
        "bank",
        "position",
        "qty",
        "opened_at",
        "settled_at",
        "settled_how",
    )
    list_select_related = ("owed_to", "given_to", "item", "bank")
    search_fields = ("owed_to__tag", "given_to__tag")


@admin.register(Receipt)
class ReceiptAdmin(ReadOnlyAdmin):
    list_display = ("line", "lot", "received_on", "counts", "damaged_qty")
    list_select_related = ("line__order", "line__item", "lot__item", "movement__reversed_by")

    @admin.display(description=_("counts"), boolean=True)
    def counts(self, receipt: Any) -> bool:
        return not hasattr(receipt.movement, "reversed_by")


@admin.register(LifeExtension)
class LifeExtensionAdmin(ReadOnlyAdmin):
    list_display = ("lot", "from_expires_on", "to_expires_on", "tested_on", "signer", "withdrawn_at")
    list_select_related = ("lot__item",)
    search_fields = ("lot__code", "lot__item__code", "paper", "signer")


@admin.register(Lot)
class LotAdmin(EditedAdmin):
    """Status changes on the page of the lot, where a reason is asked for."""

    list_display = ("code", "item", "serial", "expires_on", "no_expiry", "status")
    list_filter = ("status",)
    list_select_related = ("item",)
    search_fields = ("code", "serial", "item__code", "item__name")

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        return [*(() if obj else ("item", "code")), *MARKS, "seen_version"]

    def save_by_service(self, request: HttpRequest, form: Any, change: bool) -> models.Model:
        if change:
            return lot_update(
                lot=form.instance,
                seen_version=form.cleaned_data.get("seen_version") or 0,
                changes=form.changes(),
                actor=actor_of(request),
            )
        names = ("item", "code", *MARKS)
        return lot_create(actor=actor_of(request), **{name: form.cleaned_data[name] for name in names})


@admin.register(Item)
class ItemAdmin(EditedAdmin):
    list_display = ("code", "name", "kind", "base_unit", "serialised", "dated", "grounds_unit")
    list_filter = ("kind", "serialised", "dated", "grounds_unit")
    search_fields = ("code", "name")


@admin.register(DesignItem)
class DesignItemAdmin(EditedAdmin):
    list_display = (
        "design",
        "purpose",
        "position",
        "train",
        "item",
        "qty",
        "per_days",
        "valid_from",
        "valid_to",
    )
    list_filter = ("design", "purpose")
    list_select_related = ("design", "item")
    search_fields = ("item__code", "item__name", "position")


@admin.register(SharedEquipment)
class SharedEquipmentAdmin(EditedAdmin):
    list_display = ("place", "name", "count", "out_of_order", "valid_from", "valid_to")
    list_filter = ("place",)
    list_select_related = ("place",)


@admin.register(DesignEquipment)
class DesignEquipmentAdmin(EditedAdmin):
    list_display = ("design", "name", "count")
    list_select_related = ("design",)


@admin.register(Supplier)
class SupplierAdmin(EditedAdmin):
    list_display = ("code", "name", "mail", "closed_on")
    search_fields = ("code", "name")


@admin.register(SupplyOffer)
class SupplyOfferAdmin(EditedAdmin):
    list_display = (
        "supplier",
        "item",
        "pack_qty",
        "from_qty",
        "price",
        "currency",
        "lead_time_days",
        "valid_from",
    )
    list_filter = ("supplier",)
    list_select_related = ("supplier", "item")


@admin.register(Order)
class OrderAdmin(ReadOnlyAdmin):
    """Written, approved, sent and closed on its page, where the rules for each step are."""

    list_display = ("code", "supplier", "place", "state", "sent_on", "promised_on")
    list_filter = ("state", "supplier")
    list_select_related = ("supplier", "place")
    search_fields = ("code",)


@admin.register(OrderLine)
class OrderLineAdmin(ReadOnlyAdmin):
    list_display = ("order", "item", "qty", "received", "price", "funding")
    list_select_related = ("order", "item", "funding")

    def get_queryset(self, request: HttpRequest) -> Any:
        rows: Any = super().get_queryset(request)
        return rows.with_received()

    @admin.display(description=_("received"))
    def received(self, line: Any) -> Any:
        return line.received_qty


@admin.register(ApprovalLimit)
class ApprovalLimitAdmin(EditedAdmin):
    list_display = ("currency", "amount")


@admin.register(StockPolicy)
class StockPolicyAdmin(EditedAdmin):
    list_display = ("item", "place", "reorder_point", "order_up_to", "valid_from", "valid_to")
    list_filter = ("place",)
    list_select_related = ("item", "place")


@admin.register(FundingSource)
class FundingSourceAdmin(EditedAdmin):
    list_display = ("code", "name", "countries", "ends_on")
    search_fields = ("code", "name")


@admin.register(ItemGoods)
class ItemGoodsAdmin(EditedAdmin):
    list_display = ("item", "kind", "removable", "source")
    list_filter = ("kind",)
    list_select_related = ("item",)
    search_fields = ("item__code", "item__name")

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        """Of which item it is said is not changed."""
        return [name for name in super().get_fields(request, obj) if obj is None or name != "item"]

    def save_by_service(self, request: HttpRequest, form: Any, change: bool) -> models.Model:
        row: ItemGoods = form.instance
        return item_goods_save(
            item=row.item,
            kind=row.kind,
            attributes=row.attributes,
            removable=row.removable,
            source=row.source,
            seen_version=form.cleaned_data.get("seen_version") if change else None,
            actor=actor_of(request),
        )


@admin.register(GoodsLine)
class GoodsLineAdmin(RecordAdmin):
    list_display = ("unit", "label", "kind", "pieces", "mass_kg")
    list_filter = ("kind",)
    list_select_related = ("unit", "recorded_by")
    search_fields = ("unit__tag", "label")


@admin.register(GoodsCheck)
class GoodsCheckAdmin(RecordAdmin):
    list_display = ("unit", "bank", "line", "kind", "answer")
    list_filter = ("kind", "answer")
    list_select_related = ("unit", "bank", "line__unit", "recorded_by")
    search_fields = ("unit__tag",)


@admin.register(GoodsListCheck)
class GoodsListCheckAdmin(RecordAdmin):
    list_display = ("unit", "happened_at", "note")
    list_select_related = ("unit", "recorded_by")
    search_fields = ("unit__tag",)
