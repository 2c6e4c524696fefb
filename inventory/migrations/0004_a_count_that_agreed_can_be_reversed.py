"""A count that found what the ledger said moves nothing; its reversal moves nothing either."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [("inventory", "0003_fitted_part_history")]

    operations = [
        migrations.RemoveConstraint(model_name="movement", name="movement_qty_positive"),
        migrations.AddConstraint(
            model_name="movement",
            constraint=models.CheckConstraint(
                condition=models.Q(qty__gt=0) | models.Q(kind__in=["count", "reversal"], qty__gte=0),
                name="movement_qty_positive",
            ),
        ),
    ]
