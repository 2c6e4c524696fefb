"""Finds for each debt on file the movement that opened it and the one that settled it, as the services of then wrote them.

A debt was opened at the moment of the transfer of its quantity, and settled at the moment of the issue or fit that filled
it; of several at one moment, the one with the same quantity comes first, then the one with enough left.
"""

from collections import defaultdict
from decimal import Decimal

from django.db import migrations


def fill(apps, schema_editor):
    Debt = apps.get_model("inventory", "PartDebt")
    Movement = apps.get_model("inventory", "Movement")
    left = defaultdict(Decimal)
    used = set()

    def choose(rows, qty):
        rows = [row for row in rows if row.pk not in used or left[row.pk] >= qty]
        for row in rows:
            if row.pk not in used:
                used.add(row.pk)
                left[row.pk] = row.qty
        exact = [row for row in rows if left[row.pk] == qty]
        enough = [row for row in rows if left[row.pk] > qty]
        row = next(iter(exact + enough), None)
        if row is not None:
            left[row.pk] -= qty
        return row

    for debt in Debt.objects.order_by("pk").iterator(chunk_size=2000):
        if debt.item_id is not None:
            takings = Movement.objects.filter(
                kind="transfer",
                lot__item_id=debt.item_id,
                from_unit_id=debt.owed_to_id,
                to_unit_id=debt.given_to_id,
                happened_at=debt.opened_at,
                qty__gte=debt.qty,
            ).order_by("pk")
            debt.opened_with = takings.first()
        if debt.settled_at is not None:
            debt.settled_how = "filled"
            if debt.item_id is not None:
                then = Movement.objects.filter(lot__item_id=debt.item_id, happened_at=debt.settled_at)
                if debt.position:
                    fits = then.filter(
                        kind="fit", from_unit_id=debt.owed_to_id, fitted_part__position=debt.position
                    )
                    debt.settled_with = fits.order_by("-pk").first()
                else:
                    came = then.filter(kind__in=["issue", "transfer"], to_unit_id=debt.owed_to_id)
                    debt.settled_with = choose(list(came.filter(reversed_by=None).order_by("pk")), debt.qty)
        debt.save(update_fields=["opened_with", "settled_with", "settled_how"])


class Migration(migrations.Migration):
    dependencies = [("inventory", "0005_debts_know_their_movements")]

    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
