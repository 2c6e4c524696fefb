"""Charges and faults keep when their end was written down; for those on file the audit trail knows."""

from itertools import islice

from django.db import migrations, models

ENDS = (("Charge", "charge.stop"), ("Fault", "fault.close"))


def fill(apps, schema_editor):
    lines = apps.get_model("fleet", "AuditEntry").objects
    for name, action in ENDS:
        rows = apps.get_model("readiness", name).objects
        told = iter(
            lines.filter(action=action).order_by("pk").values_list("subject_id", "at").iterator(chunk_size=2000)
        )
        while some := dict(islice(told, 500)):
            ended = list(rows.filter(pk__in=[int(key) for key in some]).only("pk", "end_recorded_at"))
            for row in ended:
                row.end_recorded_at = some[str(row.pk)]
            rows.bulk_update(ended, ["end_recorded_at"])


class Migration(migrations.Migration):

    dependencies = [
        ("fleet", "0002_audit_is_append_only"),
        ("readiness", "0004_judgement_due"),
    ]

    operations = [
        migrations.AddField("charge", "end_recorded_at", models.DateTimeField(blank=True, editable=False, null=True)),
        migrations.AddField("fault", "end_recorded_at", models.DateTimeField(blank=True, editable=False, null=True)),
        migrations.RunPython(fill, migrations.RunPython.noop),
    ]
