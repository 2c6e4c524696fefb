import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('fleet', '0002_audit_is_append_only'),
        ('readiness', '0002_bank_test_has_a_value'),
    ]

    operations = [
        migrations.CreateModel(
            name='JudgementDue',
            fields=[
                ('unit', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, primary_key=True, related_name='judgement_due', serialize=False, to='fleet.unit')),
                ('since', models.DateTimeField()),
            ],
        ),
    ]
