"""What we hold and buy. One file per subject."""

from inventory.models.extensions import LifeExtension
from inventory.models.goods import GoodsCheck, GoodsKind, GoodsLine, GoodsListCheck, ItemGoods
from inventory.models.items import DesignEquipment, DesignItem, Item, SharedEquipment
from inventory.models.ledger import Balance, FittedPart, Lot, Movement, PartDebt
from inventory.models.supply import (
    ApprovalLimit,
    FundingSource,
    Order,
    OrderLine,
    Receipt,
    StockPolicy,
    Supplier,
    SupplyOffer,
)

__all__ = [
    "ApprovalLimit",
    "Balance",
    "DesignEquipment",
    "DesignItem",
    "FittedPart",
    "FundingSource",
    "GoodsCheck",
    "GoodsKind",
    "GoodsLine",
    "GoodsListCheck",
    "Item",
    "ItemGoods",
    "LifeExtension",
    "Lot",
    "Movement",
    "Order",
    "OrderLine",
    "PartDebt",
    "Receipt",
    "SharedEquipment",
    "StockPolicy",
    "Supplier",
    "SupplyOffer",
]
