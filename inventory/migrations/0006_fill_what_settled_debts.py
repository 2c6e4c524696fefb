"""Finds for each debt on file the movement that opened it and the one that settled it, as the services of then wrote them.

A debt was opened at the moment of the transfer of its quantity, and settled at the moment of the issue or fit that filled
it; of several at one moment, the one with the same quantity left comes first, then the one with enough left. What a debt of
a position was opened by is the transfer that follows the removal from that position. No movement opens or settles more than
it moved, and where none is found the debt names none.
"""

from django.db import migrations


def fill(apps, schema_editor):
    Debt = apps.get_model("inventory", "PartDebt")
    Movement = apps.get_model("inventory", "Movement")
    # What each movement has left to open, and to settle: one may give back what was owed and be owed itself.
    to_open, to_settle = {}, {}

    def choose(rows, qty, left):
        for row in rows:
            left.setdefault(row.pk, row.qty)
        exact = [row for row in rows if left[row.pk] == qty]
        enough = [row for row in rows if left[row.pk] > qty]
        row = next(iter(exact + enough), None)
        if row is not None:
            left[row.pk] -= qty
        return row

    def takings_of(debt):
        return Movement.objects.filter(
            kind="transfer",
            lot__item_id=debt.item_id,
            from_unit_id=debt.owed_to_id,
            to_unit_id=debt.given_to_id,
            happened_at=debt.opened_at,
        ).order_by("pk")

    def of_position(debt):
        """For each removal from the position then, the first transfer of that lot written after it."""
        removals = Movement.objects.filter(
            kind="remove",
            lot__item_id=debt.item_id,
            fitted_part__unit_id=debt.owed_to_id,
            fitted_part__position=debt.position,
            happened_at=debt.opened_at,
        ).order_by("pk")
        found = [takings_of(debt).filter(lot_id=row.lot_id, pk__gt=row.pk).first() for row in removals]
        return [row for row in found if row is not None]

    opened = {}
    things = Debt.objects.filter(item__isnull=False).order_by("pk")
    # Those of positions first: their transfers are theirs alone, and no kit of the same item was taken by them.
    for debt in things.exclude(position="").iterator(chunk_size=2000):
        opened[debt.pk] = choose(of_position(debt), debt.qty, to_open)
    for debt in things.filter(position="").iterator(chunk_size=2000):
        opened[debt.pk] = choose(list(takings_of(debt)), debt.qty, to_open)

    for debt in Debt.objects.order_by("pk").iterator(chunk_size=2000):
        debt.opened_with = opened.get(debt.pk)
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
                    debt.settled_with = choose(
                        list(came.filter(reversed_by=None).order_by("pk")), debt.qty, to_settle
                    )
        debt.save(update_fields=["opened_with", "settled_with", "settled_how"])


class Migration(migrations.Migration):
    dependencies = [("inventory", "0005_debts_know_their_movements")]

    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
