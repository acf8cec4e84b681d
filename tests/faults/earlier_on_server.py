"""Lays the earlier release's rows into an empty database server: `python -m tests.faults.earlier_on_server FILE`.

The release's own steps make the tables, and models of then copy the rows out of its SQLite file.
"""

import os
import sys

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "buildlog.config.settings")
django.setup()

from django.core.management.color import no_style  # noqa: E402
from django.db import connection, transaction  # noqa: E402
from django.db.migrations.executor import MigrationExecutor  # noqa: E402

from buildlog.hosting import data_copy, version  # noqa: E402


def main(path):
    with data_copy.temporary_alias("earlier", data_copy.sqlite_file(path)):
        made = {tuple(name.split(".", 1)) for name in version.steps("earlier")[0] if name not in version.GIVEN_UP}
        executor = MigrationExecutor(connection)
        nodes = executor.loader.graph.node_map
        last = [key for key in made if not any(child.key in made for child in nodes[key].children)]
        executor.migrate(last)
        models = list(executor.loader.project_state(last).apps.get_models(include_auto_created=True))
        with transaction.atomic():
            for model in models:
                names = [field.attname for field in model._meta.concrete_fields]
                rows = list(model._base_manager.using("earlier").values_list(*names))
                data_copy._write(model, "default", rows)
            with connection.cursor() as cursor:
                for statement in connection.ops.sequence_reset_sql(no_style(), models):
                    cursor.execute(statement)


if __name__ == "__main__":
    main(sys.argv[1])
