"""The stock ledger's services in one list; each is written in the file of its subject.

stock      receive, issue, return, transfer, use, scrap, count, and the bulk forms for the import
parts      fit, find, remove, replace; use carried along
takes      from unit X for unit Y, with the debt it leaves
reversal   a movement taken back, once
lots       made known, quarantine, recall, release, corrected
"""

from inventory.services.lots import lot_create, lot_quarantine, lot_receive, lot_set_status, lot_update
from inventory.services.parts import (
    EarlierUse,
    carried_recompute,
    part_find,
    part_fit,
    part_remove,
    part_replace,
)
from inventory.services.reversal import movement_reverse
from inventory.services.stock import (
    StockRow,
    stock_count,
    stock_count_many,
    stock_issue,
    stock_issue_many,
    stock_receive,
    stock_receive_many,
    stock_return,
    stock_scrap,
    stock_transfer,
    stock_use,
)
from inventory.services.takes import Take, bank_take, part_take

__all__ = [
    "EarlierUse",
    "StockRow",
    "Take",
    "bank_take",
    "carried_recompute",
    "lot_create",
    "lot_quarantine",
    "lot_receive",
    "lot_set_status",
    "lot_update",
    "movement_reverse",
    "part_find",
    "part_fit",
    "part_remove",
    "part_replace",
    "part_take",
    "stock_count",
    "stock_count_many",
    "stock_issue",
    "stock_issue_many",
    "stock_receive",
    "stock_receive_many",
    "stock_return",
    "stock_scrap",
    "stock_transfer",
    "stock_use",
]
