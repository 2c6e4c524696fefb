"""Sentences about orders and what came of them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Self

from django.db import models
from django.db.models import DecimalField, F, OuterRef, Q, Subquery, Sum, Value
from django.db.models.functions import Coalesce, Greatest

QTY = DecimalField(max_digits=15, decimal_places=3)
NOTHING = Value(Decimal(0), output_field=QTY)


class ReceiptQuerySet(models.QuerySet[Any]):
    def counting(self) -> Self:
        """Only what was really received: the booking was not reversed."""
        return self.filter(movement__reversed_by__isnull=True)


class OrderLineQuerySet(models.QuerySet[Any]):
    def with_received(self) -> Self:
        """Adds `received_qty`, what was booked in and not reversed, and `open_qty`, what is still to come (never < 0)."""
        receipts: Any = self.model._meta.get_field("receipts").related_model
        came = receipts.objects.counting().filter(line=OuterRef("pk")).order_by().values("line")
        received = Coalesce(
            Subquery(came.annotate(total=Sum("movement__qty")).values("total"), output_field=QTY), NOTHING
        )
        return self.annotate(received_qty=received).annotate(
            open_qty=Greatest(F("qty") - F("received_qty"), NOTHING, output_field=QTY)
        )

    def still_to_come(self) -> Self:
        """Lines of orders that stand, of which something has not come yet. Of a closed order nothing more will come."""
        over = ["draft", "closed", "cancelled"]
        return self.with_received().filter(~Q(order__state__in=over), open_qty__gt=0)
