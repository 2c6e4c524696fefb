"""Orders follow what really came: what was received is worked out from the receipts whose booking stands."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from fleet.models import User
from fleet.services.audit import audit_record
from fleet.services.records import locked
from inventory.models import Movement, Order, OrderLine, Receipt

THOUSANDTH = Decimal("0.001")


def order_of_movement_held(movement: Movement) -> None:
    """Holds the order a movement was received on, before its lots: who receives takes them in the same sequence."""
    receipt = Receipt.objects.select_related("line__order").filter(movement=movement).first()
    if receipt is not None:
        locked(receipt.line.order)


def receipt_after_reversal(*, movement: Movement, actor: User | None) -> None:
    """The booking of a receipt was reversed: the order says so, and one that was closed by it waits again."""
    receipt = Receipt.objects.select_related("line__order", "line__item").filter(movement=movement).first()
    if receipt is None:
        return
    order: Order = locked(receipt.line.order)
    line: Any = OrderLine.objects.with_received().get(pk=receipt.line_id)
    received = line.received_qty.quantize(THOUSANDTH)
    before = {"state": order.state, "received_qty": received + movement.qty - receipt.damaged_qty}
    if order.state == Order.State.CLOSED and line.open_qty > 0:
        order.state, order.closed_on, order.end_reason = Order.State.CONFIRMED, None, ""
        order.version += 1
        order.save(update_fields=["state", "closed_on", "end_reason", "version", "updated_at"])
    audit_record(
        actor=actor,
        action="order.receipt_reversed",
        subject=order,
        before=before,
        after={"state": order.state, "received_qty": received},
        note=str(receipt.line.item),
        place=order.place,
    )
