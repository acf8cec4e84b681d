"""An empty database is built at once, and is what the migrations would have made of it, one after the other."""

import re
import sqlite3
from contextlib import closing

import psycopg
import pytest

from tests.data_folders import manage

pytestmark = pytest.mark.own_database

STEP_BY_STEP = """
from django.core.management import call_command
from django.core.management.commands import migrate
call_command(migrate.Command(), verbosity=0)
"""
OF_A_SERVER = {
    "columns": "SELECT table_name, column_name, data_type, is_nullable, column_default, is_identity, "
    "character_maximum_length FROM information_schema.columns WHERE table_schema = 'public'",
    "constraints": "SELECT conname, pg_get_constraintdef(oid), conrelid::regclass::text "
    "FROM pg_constraint WHERE connamespace = 'public'::regnamespace",
    "indexes": "SELECT indexname, regexp_replace(indexdef, '^.* ON ', '') FROM pg_indexes WHERE schemaname = 'public'",
}
# Names that nobody chose and nobody asks for: a unique column's, and an index's, which keeps its column's first name.
UNCHOSEN = re.compile(r".*_(key|[0-9a-f]{8}(_uniq|_like)?)")
MIGRATIONS = "SELECT app, name FROM django_migrations ORDER BY app, name"
PERMISSIONS = """
SELECT auth_permission.id, name, codename, app_label, model
FROM auth_permission JOIN django_content_type ON django_content_type.id = content_type_id ORDER BY auth_permission.id
"""


def both_ways(tmp_path, addresses=({}, {})):
    for way, command, more in zip(
        ("at-once", "step-by-step"), (["migrate", "-v0"], ["shell", "-v0", "-c", STEP_BY_STEP]), addresses, strict=True
    ):
        folder = tmp_path / way
        folder.mkdir(mode=0o700)
        output, code = manage(folder, *command, **more)
        assert (output, code) == ("", 0)
        yield folder / "buildlog.sqlite3"


def tables_of_file(path):
    """Each table and index as it was declared; the order of a table's columns is left out, which nothing reads."""
    with closing(sqlite3.connect(path)) as connection:
        declared = connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
        rows = [connection.execute(query).fetchall() for query in (MIGRATIONS, PERMISSIONS)]
    parts = {name: sorted(sql.removesuffix(")").partition("(")[2].split(", ")) for name, sql in declared}
    return parts, rows


def test_a_file(tmp_path):
    at_once, step_by_step = map(tables_of_file, both_ways(tmp_path))
    assert len(at_once[1][0]) > 60
    assert at_once == step_by_step


def tables_of_server(address):
    with psycopg.connect(address) as connection:
        queries = {**OF_A_SERVER, "migrations": MIGRATIONS, "permissions": PERMISSIONS}
        rows = {name: connection.execute(query).fetchall() for name, query in queries.items()}
    for name in ("constraints", "indexes"):
        rows[name] = [("" if UNCHOSEN.fullmatch(chosen) else chosen, *rest) for chosen, *rest in rows[name]]
    return {name: sorted(kind, key=repr) for name, kind in rows.items()}


def test_a_server(tmp_path, postgresql):
    addresses = [postgresql.make_database(name) for name in ("at_once", "step_by_step")]
    assert len(list(both_ways(tmp_path, [{"DATABASE_URL": address} for address in addresses]))) == 2
    at_once, step_by_step = map(tables_of_server, addresses)
    assert len(at_once["constraints"]) > 200
    for kind, rows in at_once.items():
        assert rows == step_by_step[kind], kind


def test_a_database_that_holds_a_table_is_not_built_at_once(tmp_path):
    """It may be another program's, or half of an earlier version's: the framework's own way says what is wrong."""
    folder = tmp_path / "data"
    folder.mkdir(mode=0o700)
    with closing(sqlite3.connect(folder / "buildlog.sqlite3")) as connection:
        connection.execute("CREATE TABLE buildlog_part (id integer)")
    output, code = manage(folder, "migrate", "-v0")
    assert code == 1
    assert 'table "buildlog_part" already exists' in output
    with closing(sqlite3.connect(folder / "buildlog.sqlite3")) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("buildlog_part",)]
