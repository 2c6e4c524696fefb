"""The stock ledger can be added to and read, by the database's own rule."""

from django.db import migrations

from fleet.lib.append_only import install_statements, remove_statements

TABLE = "inventory_movement"
SENTENCE = "The stock ledger is never changed or deleted: reverse the movement instead."


def install(apps, schema_editor):
    for statement in install_statements(schema_editor.connection.vendor, TABLE, SENTENCE):
        schema_editor.execute(statement, params=None)


def remove(apps, schema_editor):
    for statement in remove_statements(schema_editor.connection.vendor, TABLE):
        schema_editor.execute(statement, params=None)


class Migration(migrations.Migration):

    dependencies = [("inventory", "0001_initial")]

    operations = [migrations.RunPython(install, remove)]
