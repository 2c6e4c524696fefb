"""Sentences about orders and what came of them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Self

from django.db import models
from django.db.models import DecimalField, Exists, F, Min, OuterRef, Q, Subquery, Sum, Value
from django.db.models.functions import Coalesce, Greatest, Round

QTY = DecimalField(max_digits=15, decimal_places=3)
MONEY = DecimalField(max_digits=18, decimal_places=4)
NOTHING = Value(Decimal(0), output_field=QTY)


class ReceiptQuerySet(models.QuerySet[Any]):
    def counting(self) -> Self:
        """Only what was really received: the booking was not reversed."""
        return self.filter(movement__reversed_by__isnull=True)


class OrderLineQuerySet(models.QuerySet[Any]):
    def with_received(self) -> Self:
        """Adds `received_qty`, what was booked in and not reversed, and `open_qty`, what is still to come (never < 0).

        What came damaged was not received: the supplier still owes it. `damaged` tells how much that was.
        """
        receipts: Any = self.model._meta.get_field("receipts").related_model
        came = receipts.objects.counting().filter(line=OuterRef("pk")).order_by().values("line")
        good = Sum(F("movement__qty") - F("damaged_qty"))
        received = Coalesce(Subquery(came.annotate(total=good).values("total"), output_field=QTY), NOTHING)
        damaged = Coalesce(
            Subquery(came.annotate(total=Sum("damaged_qty")).values("total"), output_field=QTY), NOTHING
        )
        # Rounded: an engine that adds as floats would leave a crumb of a litre open.
        still = Round(F("qty") - F("received_qty"), precision=3, output_field=QTY)
        return self.annotate(received_qty=received, damaged=damaged).annotate(
            open_qty=Greatest(still, NOTHING, output_field=QTY)
        )

    def still_to_come(self) -> Self:
        """Lines of orders that stand, of which something has not come yet. Of a closed order nothing more will come."""
        over = ["draft", "closed", "cancelled"]
        return self.with_received().filter(~Q(order__state__in=over), open_qty__gt=0)


class OrderQuerySet(models.QuerySet[Any]):
    def with_progress(self) -> Self:
        """Adds `total`, `begun` (something came), `due_on` (the first day something open was promised for)."""
        lines: Any = self.model._meta.get_field("lines").related_model
        receipts: Any = lines._meta.get_field("receipts").related_model
        mine = lines.objects.filter(order=OuterRef("pk")).order_by()
        total = mine.values("order").annotate(n=Sum(F("qty") * F("price"), output_field=MONEY)).values("n")
        came = receipts.objects.counting().filter(line__order=OuterRef("pk"))
        waiting = mine.with_received().filter(open_qty__gt=0)
        due = Coalesce(F("promised_on"), F("order__promised_on"))
        first = waiting.annotate(due=due).values("order").annotate(n=Min("due")).values("n")
        return self.annotate(
            total=Coalesce(Subquery(total, output_field=MONEY), Value(Decimal(0), output_field=MONEY)),
            begun=Exists(came),
            due_on=Subquery(first),
        )

    def standing(self) -> Self:
        """Something is still to come of them, or may be: approved, sent or confirmed."""
        return self.filter(state__in=["approved", "sent", "confirmed"])
