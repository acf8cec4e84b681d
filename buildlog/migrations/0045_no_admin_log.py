"""The framework's own pages over every record are gone, and so is their log, which names accounts."""

from django.db import connections, migrations


def drop(apps, schema_editor):
    database = connections[schema_editor.connection.alias]
    if "django_admin_log" in database.introspection.table_names():
        schema_editor.execute("DROP TABLE django_admin_log")


class Migration(migrations.Migration):

    dependencies = [
        ("buildlog", "0031_backup_taken"),
    ]

    operations = [migrations.RunPython(drop, migrations.RunPython.noop)]
