"""What units owe one another, and who is held back by it."""

from __future__ import annotations

from decimal import Decimal

from django.db.models import Case, CharField, F, Q, QuerySet, Sum, Value, When

from fleet.models import Place, Unit
from inventory.models import Item, PartDebt


def debts_shown(*, depot: Place | None) -> QuerySet[PartDebt]:
    """Debts with everything a line shows; with a depot: of its units, whichever side they are on. Adds `what`."""
    rows = PartDebt.objects.select_related(
        "owed_to__home", "given_to__home", "item", "bank", "opened_by", "settled_by", "opened_with"
    ).annotate(
        what=Case(
            When(item__isnull=False, then=F("item__name")),
            When(bank__isnull=False, then=F("bank__serial")),
            default=Value(""),
            output_field=CharField(),
        )
    )
    return rows if depot is None else rows.filter(Q(owed_to__home=depot) | Q(given_to__home=depot))


def debt_between(pk: str, *, owed_to: Unit, given_to: Unit) -> PartDebt | None:
    """The debt a link names, if it is one between these two. One query, none for what is no number."""
    if not pk.isdecimal() or len(pk) > 18:
        return None
    return debts_shown(depot=None).filter(pk=int(pk), owed_to=owed_to, given_to=given_to).first()


def still_owed(item: Item, *, owed_to: Unit, given_to: Unit) -> Decimal:
    """How much of an item one unit still owes to the other. One query."""
    debts = PartDebt.objects.filter(item=item, owed_to=owed_to, given_to=given_to, settled_at__isnull=True)
    return debts.aggregate(total=Sum("qty"))["total"] or Decimal(0)
