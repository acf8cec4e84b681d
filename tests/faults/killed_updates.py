"""Updates that are killed: `python -m tests.faults.killed_updates TEMPLATE [STEPS [NEWEST]]`.

A window is a moment in an update: when a table of an empty database is made; before each step of the database's
build, in its middle, when it is made and not recorded, when it is recorded; around the backup before, and around
the end. First an update that nobody kills lists them, and shows what the database is to become. Then, for each of
the windows (or those of so many STEPS), one is killed there with SIGKILL, on a fresh copy of the template, and
from what it left another goes on; where two left the same, one goes on for both. Where not all are killed, what a
kill would leave of SQLite's file is looked at in each window. With TEMPLATE `empty` there is no database yet.
With NEWEST, the template is first brought to where only so many of the newest steps are left, once: then an update
has these alone, and a kill in each of their windows is cheap.

A process of its own, on the installation that its environment names. It loads the program once and forks, so that an
update costs a part of a second. Prints its figures as JSON.
"""

import contextlib
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from unittest import mock

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "buildlog.config.settings")
django.setup()

from django.conf import settings  # noqa: E402
from django.core.management.commands import migrate as frameworks  # noqa: E402
from django.db import connection, connections  # noqa: E402
from django.db.migrations.executor import MigrationExecutor  # noqa: E402
from django.db.migrations.migration import Migration  # noqa: E402

from buildlog.hosting import update  # noqa: E402
from buildlog.hosting.backups import retention, server  # noqa: E402
from buildlog.management.commands import migrate  # noqa: E402
from tests import servers  # noqa: E402

FILE = settings.DATA / "buildlog.sqlite3"
OWN_APPS = ("buildlog", "test_sessions")
WITH_A_MOMENT = {
    "django_migrations": ("app", "name"),
    "buildlog_modechange": ("mode_id", "kind", "old_name", "old_key", "old_mode", "failures"),
}
"""Columns that are compared, where the others say when."""


class Windows:
    """Calls `reached` with each window's name. The framework's own parts are wrapped, none of it is changed."""

    def __init__(self, reached):
        self.reached = reached

    def install(self):
        apply_migration, record_migration = MigrationExecutor.apply_migration, MigrationExecutor.record_migration
        apply, emit_post_migrate = Migration.apply, frameworks.emit_post_migrate_signal
        build_if_empty = migrate.Command.build_if_empty
        backup, bring_up_to_date, call_command = update._backup, update._bring_up_to_date, update.call_command

        def applied(executor, state, migration, *args, **kwargs):
            self.reached(f"{migration} before it begins")
            return apply_migration(executor, state, migration, *args, **kwargs)

        def in_the_middle(migration, *args, **kwargs):
            if migration.operations:
                operation = migration.operations[len(migration.operations) // 2]
                forwards = operation.database_forwards

                def half(*args, **kwargs):
                    forwards(*args, **kwargs)
                    self.reached(f"{migration} in the middle")

                operation.database_forwards = half
            return apply(migration, *args, **kwargs)

        def built_at_once(command):
            editor = type(command.connection.schema_editor())
            create_model = editor.create_model

            def created(editor, model):
                create_model(editor, model)
                self.reached(f"{model._meta.label} created")

            with mock.patch.object(editor, "create_model", created):
                build_if_empty(command)

        def recorded(executor, migration):
            self.reached(f"{migration} made and not recorded")
            record_migration(executor, migration)
            self.reached(f"{migration} recorded")

        def all_made(*args, **kwargs):
            emit_post_migrate(*args, **kwargs)
            self.reached("all steps made")

        def around(name, function):
            def wrapped(*args, **kwargs):
                self.reached(f"before {name}")
                result = function(*args, **kwargs)
                self.reached(f"after {name}")
                return result

            return wrapped

        MigrationExecutor.apply_migration, MigrationExecutor.record_migration = applied, recorded
        migrate.Command.build_if_empty = built_at_once
        Migration.apply, frameworks.emit_post_migrate_signal = in_the_middle, all_made
        update._backup, update.call_command = around("the backup", backup), around("the steps", call_command)
        update._bring_up_to_date = around("all of it", bring_up_to_date)


def update_in_a_child(reached):
    """What the update said, and its end: an exit code, or minus the signal that ended it."""
    connections.close_all()
    ours, theirs = os.pipe()
    child = os.fork()
    if not child:
        os.close(ours)
        code = 1
        with contextlib.suppress(BaseException):
            try:
                Windows(lambda name: reached(name, theirs)).install()
                update.bring_up_to_date(lambda words: os.write(theirs, f"said {words}\n".encode()))
                code = 0
            except BaseException as error:
                os.write(theirs, f"said {type(error).__name__}: {error}\n".encode())
        os._exit(code)
    os.close(theirs)
    with os.fdopen(ours) as pipe:
        lines = pipe.read().splitlines()
    return lines, os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


class File:
    """The database in the data folder, and the template it is copied from."""

    def __init__(self, template):
        self.template = template

    def prepare(self):
        for path in settings.DATA.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        if self.template != "empty":
            shutil.copytree(self.template, settings.DATA, dirs_exist_ok=True)

    def look(self):
        """Tables and rows as somebody finds them who opens what is there."""
        if not FILE.exists():
            return {}
        with contextlib.closing(connections["default"].copy()) as other, other.cursor() as cursor:
            cursor.execute("PRAGMA integrity_check")
            assert cursor.fetchone() == ("ok",)
            cursor.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name")
            results = dict(cursor.fetchall())
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
            return results | _rows(cursor, [name for (name,) in cursor.fetchall()])


class Server:
    """The same on a PostgreSQL server; the template is a database there."""

    def __init__(self, template):
        self.template = "template1" if template == "empty" else template
        data = connection.settings_dict
        host = f"{data['USER']}:{data['PASSWORD']}@{data['HOST']}:{data['PORT']}"
        self.address, self.name = f"postgresql://{host}/postgres", data["NAME"]

    def prepare(self):
        File("empty").prepare()
        servers.make_database(self.address, self.name, self.template)

    def look(self):
        with contextlib.closing(connections["default"].copy()) as other, other.cursor() as cursor:
            cursor.execute(
                "SELECT table_name || '.' || column_name, data_type || is_nullable FROM information_schema.columns "
                "WHERE table_schema = 'public' UNION SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint "
                "WHERE connamespace = 'public'::regnamespace UNION SELECT indexname, indexdef FROM pg_indexes "
                "WHERE schemaname = 'public'"
            )
            results = dict(cursor.fetchall())
            return results | _rows(cursor, other.introspection.table_names(cursor))


def newest_steps(count):
    """The newest steps of our own apps: of those on which no other rests, again and again the one of highest number."""
    graph = MigrationExecutor(connection).loader.graph
    chosen = set()
    while len(chosen) < count:
        free = [
            key
            for key in graph.nodes
            if key[0] in OWN_APPS
            and key not in chosen
            and {child.key for child in graph.node_map[key].children} <= chosen
        ]
        chosen.add(max(free, key=lambda key: (key[1][:4], key[0])))
    return chosen


def before_newest(template, count):
    """A copy of a data folder, brought up to where only the newest steps are left."""
    File(template).prepare()
    connections.close_all()
    child = os.fork()
    if not child:
        code = 1
        try:
            executor, left_out = MigrationExecutor(connection), newest_steps(count)
            staying = set(executor.loader.graph.nodes) - left_out
            in_the_way = {
                parent.key for key in staying for parent in executor.loader.graph.node_map[key].parents
                if parent.key[0] == key[0]
            }  # fmt: skip
            executor.migrate(sorted(staying - in_the_way))
            connections.close_all()
            code = 0
        finally:
            os._exit(code)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    folder = Path(f"{settings.DATA}-before-newest")
    shutil.copytree(settings.DATA, folder)
    return folder


def _rows(cursor, tables):
    results = {}
    for table in tables:
        columns = ", ".join(WITH_A_MOMENT.get(table, "*"))
        cursor.execute(f'SELECT {columns} FROM "{table}"')  # noqa: S608
        held = sorted(map(repr, cursor.fetchall()))
        results[f"rows of {table}"] = f"{len(held)} {hashlib.sha256(repr(held).encode()).hexdigest()}"
    return results


def backups():
    return [backup for backup in retention.backups_in(settings.BACKUP_DIR) if backup.before_update]


def main(template, count=0, newest=0):
    began = time.monotonic()
    if newest:
        template = before_newest(template, newest)
    database = Server(template) if server.holds_the_records() else File(template)

    def tell(name, pipe):
        os.write(pipe, f"window {name}\n".encode())

    def keep_a_copy(name, pipe):
        # By another process: whoever closes a file of SQLite's lets go of its own process's locks on it.
        number = len(list(copies.iterdir()))
        files = [str(path) for path in settings.DATA.glob("buildlog.sqlite3*") if path.suffix != ".sqlite3-shm"]
        (copies / f"{number:03}").mkdir()
        if files:
            subprocess.run(["cp", *files, str(copies / f"{number:03}")], check=True)
        tell(name, pipe)

    copies = Path(f"{settings.DATA}-copies")
    copies.mkdir()
    database.prepare()
    before = database.look()
    lines, code = update_in_a_child(keep_a_copy if count and isinstance(database, File) else tell)
    assert code == 0, lines
    windows = [line.removeprefix("window ") for line in lines if line.startswith("window ")]
    steps = list(dict.fromkeys(name.split()[0] for name in windows if "." in name))
    # Early ones: an update that is killed late has taken most of its time.
    chosen = [steps[len(steps) * (2 * number + 1) // (6 * count)] for number in range(count)]
    wanted = [name for name in windows if name.split()[0] in chosen] if count else windows
    reference, backups_made = database.look(), len(backups())
    states, failures, kills = {}, [], []

    # What each kill leaves of a file can be seen at every window of the one update.
    left, looks = {}, {}
    for number, folder in enumerate(sorted(copies.iterdir())):
        # Most of what an update writes is not in any file before its end.
        files = tuple((path.name, hashlib.sha256(path.read_bytes()).digest()) for path in sorted(folder.iterdir()))
        if files not in looks:
            File("empty").prepare()
            shutil.copytree(folder, settings.DATA, dirs_exist_ok=True)
            looks[files] = database.look()
        left[windows[number]] = looks[files]

    for name in wanted:
        database.prepare()
        at = windows.index(name)
        seen = iter(range(len(windows) + 1))

        def kill(_, __, at=at, seen=seen):
            if next(seen) == at:
                os.kill(os.getpid(), signal.SIGKILL)

        lines, code = update_in_a_child(kill)
        assert code == -signal.SIGKILL, (name, code, lines)
        kills.append(name)
        now = database.look()
        if name in left and left[name] != now:
            failures.append(f"{name}: the file held something else than after a kill")
        state = repr((sorted(now.items()), len(backups()), (settings.DATA / update.NOTE).exists()))
        if state not in states:
            states[state] = name
            failures += _go_on(name, database, reference, backups_made)
    for name, now in left.items():
        if repr(sorted(now.items())) not in {repr(sorted(item.items())) for item in (before, reference)}:
            failures.append(f"{name}: neither what was before nor what is to be")
    return {
        "windows": len(windows),
        "steps": len(steps),
        "killed in": len(kills),
        "looked at": len(left),
        "different files": len(looks),
        "different states left": len(states),
        "not whole after the next start": failures[:10],
        "backups before the update": backups_made,
        "seconds": round(time.monotonic() - began, 1),
    }


def _go_on(name, database, reference, backups_made):
    """What is wrong after the next start, which nobody kills."""
    lines, code = update_in_a_child(lambda *_: None)
    if code:
        return [f"{name}: {lines[-1:]}"]
    if database.look() != reference:
        return [f"{name}: other tables or rows"]
    wrong = [f"{name}: {len(backups())} backups"] if len(backups()) != backups_made else []
    again, code = update_in_a_child(lambda *_: None)
    return wrong + ([f"{name}: not up to date: {again}"] if code or again else [])


if __name__ == "__main__":
    print(json.dumps(main(sys.argv[1], *map(int, sys.argv[2:])), indent=1))
