"""A debt remembers what opened and what settled it; a movement has the ends of its kind. Filled by the next one."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("fleet", "0002_audit_is_append_only"),
        ("inventory", "0004_a_count_that_agreed_can_be_reversed"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name="partdebt",
            name="opened_with",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="debts_opened",
                to="inventory.movement",
            ),
        ),
        migrations.AddField(
            model_name="partdebt",
            name="settled_how",
            field=models.CharField(
                blank=True,
                choices=[("filled", "the gap was filled"), ("reversed", "the taking was reversed")],
                max_length=8,
            ),
        ),
        migrations.AddField(
            model_name="partdebt",
            name="settled_with",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="debts_settled",
                to="inventory.movement",
            ),
        ),
        migrations.AddField(
            model_name="partdebt",
            name="token",
            field=models.UUIDField(blank=True, editable=False, null=True, unique=True),
        ),
        migrations.AddConstraint(
            model_name="movement",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("kind", "receipt"),
                        ("from_place__isnull", True),
                        ("from_unit__isnull", True),
                        models.Q(("to_place__isnull", False), ("to_unit__isnull", False), _connector="OR"),
                    ),
                    models.Q(
                        ("kind", "remove"),
                        ("to_unit__isnull", False),
                        ("from_place__isnull", True),
                        ("from_unit__isnull", True),
                    ),
                    models.Q(("from_place__isnull", False), ("kind", "issue"), ("to_unit__isnull", False)),
                    models.Q(("from_unit__isnull", False), ("kind", "return"), ("to_place__isnull", False)),
                    models.Q(
                        ("kind", "transfer"),
                        models.Q(
                            ("from_place__isnull", False), ("from_unit__isnull", False), _connector="OR"
                        ),
                        models.Q(("to_place__isnull", False), ("to_unit__isnull", False), _connector="OR"),
                    ),
                    models.Q(
                        ("from_unit__isnull", False),
                        ("kind", "fit"),
                        ("to_place__isnull", True),
                        ("to_unit__isnull", True),
                    ),
                    models.Q(
                        ("kind__in", ["use", "scrap"]),
                        models.Q(
                            ("from_place__isnull", False), ("from_unit__isnull", False), _connector="OR"
                        ),
                        ("to_place__isnull", True),
                        ("to_unit__isnull", True),
                    ),
                    models.Q(
                        ("kind", "count"),
                        models.Q(
                            models.Q(
                                models.Q(
                                    ("from_place__isnull", False),
                                    ("from_unit__isnull", False),
                                    _connector="OR",
                                ),
                                ("to_place__isnull", True),
                                ("to_unit__isnull", True),
                            ),
                            models.Q(
                                ("from_place__isnull", True),
                                ("from_unit__isnull", True),
                                models.Q(
                                    ("to_place__isnull", False), ("to_unit__isnull", False), _connector="OR"
                                ),
                            ),
                            _connector="OR",
                        ),
                    ),
                    models.Q(
                        ("kind", "reversal"),
                        models.Q(
                            ("from_place__isnull", False),
                            ("from_unit__isnull", False),
                            ("to_place__isnull", False),
                            ("to_unit__isnull", False),
                            _connector="OR",
                        ),
                    ),
                    _connector="OR",
                ),
                name="movement_has_the_ends_of_its_kind",
            ),
        ),
    ]
