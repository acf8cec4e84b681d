"""A new version of the program on an old one's data, and the way back; with a made newer version beside this one."""

import re
import shutil
import sqlite3
import subprocess
import sys
import tarfile
from contextlib import closing

import pytest
from django.db.migrations.loader import MigrationLoader

from buildlog.hosting import update, version
from buildlog.hosting.backups import in_use, making, retention
from tests.data_folders import PROJECT, content, environment, manage, rows

pytestmark = pytest.mark.own_database

NEWER = """
from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("buildlog", "{last}")]
    operations = [
        migrations.RunSQL("UPDATE buildlog_vehicle SET name = name || ' (as the newer version writes it)'"),
        migrations.RunSQL("{more}"),
    ]
"""


def newer_version(folder, *more):
    """This program with one more step of the database's build for each of these statements, or with one step."""
    project = folder / f"newer-by-{len(more)}"
    for name in ("buildlog", "sessions", "calc", "templates", "static"):
        shutil.copytree(PROJECT / name, project / name)
    shutil.copy(PROJECT / "manage.py", project)
    steps = project / "buildlog" / "migrations"
    last = max(path.stem for path in steps.glob("0*.py"))
    for number, statement in enumerate(more or ["SELECT 1"]):
        (steps / f"900{number}_newer.py").write_text(NEWER.format(last=last, more=statement))
        last = f"900{number}_newer"
    return project


def names(data):
    with closing(sqlite3.connect(data / "buildlog.sqlite3")) as connection:
        return [name for (name,) in connection.execute("SELECT name FROM buildlog_vehicle")]


def change(data, statement):
    with closing(sqlite3.connect(data / "buildlog.sqlite3")) as connection, connection:
        connection.execute(statement)


def test_a_backup_is_made_before_the_database_is_changed_and_leads_back(data, tmp_path):
    before, uploads, old_names = rows(data / "buildlog.sqlite3"), content(data / "media"), names(data)
    project = newer_version(tmp_path)
    output, code = manage(data, "update", project=project)
    assert code == 0, output
    assert all(name.endswith("as the newer version writes it)") for name in names(data))
    assert not (data / update.NOTE).exists()
    (backup,) = retention.backups_in(data / "backups")
    assert backup.before_update
    assert str(backup.path) in output
    # A second start finds nothing to do, and makes no second backup.
    assert manage(data, "update", project=project) == ("The database is up to date.\n", 0)
    assert len(retention.backups_in(data / "backups")) == 1
    # The older program leaves the newer database alone, and names the way back.
    changed = content(data)
    for command in (["update"], ["serve", "--port", "8999"]):
        output, code = manage(data, *command)
        assert code == 1
        assert "The database is from a newer version of the program" in output
        assert f"manage.py restore {backup.path}" in output
    assert content(data) == changed
    output, code = manage(data, "restore", str(backup.path))
    assert code == 0, output
    assert rows(data / "buildlog.sqlite3") == before
    assert content(data / "media") == uploads
    assert names(data) == old_names
    (kept,) = data.glob("replaced-*")
    assert all(name.endswith("as the newer version writes it)") for name in names(kept))
    assert manage(data, "update") == ("The database is up to date.\n", 0)


def test_an_update_that_breaks_leaves_all_as_it_was_and_says_so(data, tmp_path):
    before = rows(data / "buildlog.sqlite3")
    output, code = manage(data, "update", project=newer_version(tmp_path, "UPDATE no_such_table SET x = 1"))
    assert code == 1
    (backup,) = retention.backups_in(data / "backups")
    assert "The database could not be brought up to date: no such table: no_such_table." in output
    assert "To go back, put the earlier program in place, then: " in output
    assert f"manage.py restore {backup.path}" in output
    assert rows(data / "buildlog.sqlite3") == before


def test_no_step_is_made_where_a_later_one_breaks(data, tmp_path):
    before = rows(data / "buildlog.sqlite3")
    project = newer_version(tmp_path, "CREATE TABLE of_the_first_step (x)", "UPDATE no_such_table SET x = 1")
    # Whoever waits for a large database is told so.
    module = project / "buildlog" / "hosting" / "update.py"
    module.write_text(module.read_text().replace("SLOW_BYTES = 200_000_000", "SLOW_BYTES = 0"))
    output, code = manage(data, "update", project=project)
    assert code == 1
    assert "making a backup, of about 1 MB, before" in output
    assert "Bringing the database up to date … This can take some minutes." in output
    assert re.search(r"^  buildlog.9000_newer\n  buildlog.9001_newer\n.*It is as it was before\.", output, re.MULTILINE)
    assert rows(data / "buildlog.sqlite3") == before


def test_all_steps_can_be_made_in_one_transaction():
    steps = MigrationLoader(None).disk_migrations.values()
    assert len(steps) >= 33
    assert [str(step) for step in steps if not step.atomic] == []


def test_however_often_an_update_is_begun_one_backup_is_made_of_what_was(data, tmp_path):
    project = newer_version(tmp_path, "UPDATE no_such_table SET x = 1")
    output = [manage(data, "update", project=project)[0] for _ in range(3)]
    (first,) = retention.backups_in(data / "backups")
    assert all(f"manage.py restore {first.path}" in item for item in output)
    assert all(
        f"Going on with an update that was cut off. Backup of before: {first.path}" in item for item in output[1:]
    )
    # What was logged since, with the earlier program in place again, is in none yet.
    change(data, "UPDATE buildlog_vehicle SET name = 'Renamed since'")
    output, _ = manage(data, "update", project=project)
    second, again = retention.backups_in(data / "backups")
    assert again.path == first.path
    assert f"manage.py restore {second.path}" in output


def test_too_little_room_is_said_with_how_much_it_takes_before_anything_is_done(data, tmp_path, monkeypatch):
    before, size = content(data), (data / "buildlog.sqlite3").stat().st_size
    monkeypatch.setattr(update, "LEAST_ROOM_BYTES", 0)
    monkeypatch.setattr(update.shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(9 * size, 9 * size, 3 * size))
    # Steps and backup on one disk: 2.5 sizes of the database, and one more for the backup's copy of it.
    words = f"The update needs about {3.5 * size / 1e6:.0f} MB on the disk of {data}, and {3 * size / 1e6:.0f} MB are"
    with pytest.raises(update.UpdateRefused, match=words):
        update._make_steps(["buildlog.0001_initial"], ["buildlog.9000_newer"], print, with_backup=True)
    assert content(data) == before
    update._refuse_without_room(with_backup=False)


def test_an_update_waits_for_nobody_who_serves_and_says_so(data, tmp_path):
    before = rows(data / "buildlog.sqlite3")
    with in_use.shared_lock(data):
        output, code = manage(data, "update", project=newer_version(tmp_path))
    assert code == 1
    assert "a server of the earlier version or a restore is running. Stop the server" in output
    assert rows(data / "buildlog.sqlite3") == before
    assert retention.backups_in(data / "backups") == []


def test_after_two_updates_the_earlier_program_names_the_backup_that_it_can_read(data, tmp_path):
    assert manage(data, "update", project=newer_version(tmp_path, "SELECT 1"))[1] == 0
    assert manage(data, "update", project=newer_version(tmp_path, "SELECT 1", "SELECT 2"))[1] == 0
    second, first = retention.backups_in(data / "backups")
    output, code = manage(data, "update")
    assert code == 1
    assert f"manage.py restore {first.path}" in output
    assert str(second.path) not in output


def test_what_an_earlier_version_left_half_made_is_said_with_the_backup_from_before(data, tmp_path):
    """Up to 0.8 a step could be made and not recorded, and each start then made one more backup of that."""
    before = rows(data / "buildlog.sqlite3")
    good = making.make_backup(data, before_update=True).path
    change(data, "CREATE TABLE of_the_step (x)")
    making.make_backup(data, before_update=True)
    output, code = manage(data, "update", project=newer_version(tmp_path, "CREATE TABLE of_the_step (x)"))
    assert code == 1
    assert "was cut off between a migration and the record of it" in output
    assert f"manage.py restore {good}" in output
    output, code = manage(data, "restore", str(good))
    assert code == 0, output
    assert rows(data / "buildlog.sqlite3") == before


def test_nothing_is_changed_where_the_backup_before_fails(data, tmp_path):
    project, before = newer_version(tmp_path), rows(data / "buildlog.sqlite3")
    (tmp_path / "in-the-way").write_text("a file where the folder should be")
    elsewhere = {"BUILDLOG_BACKUP_DIR": str(tmp_path / "in-the-way")}
    output, code = manage(data, "update", project=project, **elsewhere)
    assert code == 1
    assert "the backup before them failed" in output
    assert "--without-backup" in output
    assert rows(data / "buildlog.sqlite3") == before
    output, code = manage(data, "update", "--without-backup", project=project, **elsewhere)
    assert code == 0, output
    assert all(name.endswith("as the newer version writes it)") for name in names(data))


def test_two_that_start_at_one_moment_make_each_step_once(data, tmp_path):
    project = newer_version(tmp_path)
    command = [sys.executable, "manage.py", "update"]
    begun = [
        subprocess.Popen(command, cwd=project, env=environment(data), stdout=subprocess.PIPE, text=True)
        for _ in range(3)
    ]
    output = [item.communicate()[0] for item in begun]
    assert [item.returncode for item in begun] == [0, 0, 0], output
    assert sum("Bringing the database up to date" in item for item in output) == 1
    assert all(name.count("as the newer version writes it") == 1 for name in names(data))


@pytest.mark.parametrize("command", [["update"], ["backup"]])
def test_a_database_that_is_none_is_said(command, data):
    (data / "buildlog.sqlite3").write_bytes(b"no database at all" * 900)
    output, code = manage(data, *command)
    assert code == 1
    assert "Traceback" not in output
    assert "not a database" in output


def test_a_database_of_before_the_frameworks_own_pages_went_is_no_newer_one(earlier_steps):
    """The release before this one recorded their steps; it refused every update, and every backup of then."""
    assert "admin.0001_initial" in earlier_steps
    assert version.newer_than_known(earlier_steps) == []
    assert version.newer_than_known([*earlier_steps, "buildlog.9999_later"]) == ["buildlog.9999_later"]


@pytest.fixture
def earlier_steps(tmp_path):
    with tarfile.open(PROJECT / "tests/faults/earlier_release/data.tar.xz") as packed:
        packed.extractall(tmp_path / "earlier")
    with closing(sqlite3.connect(tmp_path / "earlier/buildlog.sqlite3")) as connection:
        return [f"{app}.{name}" for app, name in connection.execute("SELECT app, name FROM django_migrations")]
