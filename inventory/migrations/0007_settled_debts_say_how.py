"""After the filling: a settled debt says how."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("inventory", "0006_fill_what_settled_debts")]

    operations = [
        migrations.AddConstraint(
            model_name="partdebt",
            constraint=models.CheckConstraint(
                condition=models.Q(("qty__gt", 0)), name="part_debt_qty_positive"
            ),
        ),
        migrations.AddConstraint(
            model_name="partdebt",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("settled_at__isnull", True), ("settled_how", ""), ("settled_with__isnull", True)
                    ),
                    models.Q(("settled_at__isnull", False), models.Q(("settled_how", ""), _negated=True)),
                    _connector="OR",
                ),
                name="part_debt_settled_says_how",
            ),
        ),
    ]
