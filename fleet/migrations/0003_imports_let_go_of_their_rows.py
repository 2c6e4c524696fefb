"""Records are never deleted, but for those of an import that is being taken back, inside its transaction."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("fleet", "0002_audit_is_append_only"),
    ]

    operations = [
        migrations.AddField(
            model_name="importrun",
            name="taking_back",
            field=models.BooleanField(default=False, editable=False),
        ),
    ]
