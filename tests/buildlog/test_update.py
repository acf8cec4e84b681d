"""A new version of the program on an old one's data, and the way back; with a made newer version beside this one."""

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from buildlog.backups import keeping
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


def newer_version(folder, more="SELECT 1"):
    """This program with one more step of the database's build."""
    project = folder / "newer"
    for name in ("buildlog", "sessions", "calc", "templates", "static"):
        shutil.copytree(PROJECT / name, project / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(PROJECT / "manage.py", project)
    steps = project / "buildlog" / "migrations"
    last = max(path.stem for path in steps.glob("0*.py"))
    (steps / "9000_newer.py").write_text(NEWER.format(last=last, more=more))
    return project


def names(data):
    with closing(sqlite3.connect(data / "buildlog.sqlite3")) as connection:
        return [name for (name,) in connection.execute("SELECT name FROM buildlog_vehicle")]


def test_a_backup_is_made_before_the_database_is_changed_and_leads_back(data, tmp_path):
    before, uploads, old_names = rows(data / "buildlog.sqlite3"), content(data / "media"), names(data)
    project = newer_version(tmp_path)
    said, code = manage(data, "update", project=project)
    assert code == 0, said
    assert all(name.endswith("as the newer version writes it)") for name in names(data))
    (backup,) = keeping.backups_in(data / "backups")
    assert backup.before_update
    assert str(backup.path) in said
    # A second start finds nothing to do, and makes no second backup.
    assert manage(data, "update", project=project) == ("The database is up to date.\n", 0)
    assert len(keeping.backups_in(data / "backups")) == 1
    # The older program leaves the newer database alone, and names the way back.
    changed = content(data)
    for command in (["update"], ["serve", "--port", "8999"]):
        said, code = manage(data, *command)
        assert code == 1
        assert "The database is from a newer version of the program" in said
        assert f"manage.py restore {backup.path}" in said
    assert content(data) == changed
    said, code = manage(data, "restore", str(backup.path))
    assert code == 0, said
    assert rows(data / "buildlog.sqlite3") == before
    assert content(data / "media") == uploads
    assert names(data) == old_names
    (kept,) = data.glob("replaced-*")
    assert all(name.endswith("as the newer version writes it)") for name in names(kept))
    assert manage(data, "update") == ("The database is up to date.\n", 0)


def test_an_update_that_breaks_leaves_all_as_it_was_and_says_so(data, tmp_path):
    before = rows(data / "buildlog.sqlite3")
    said, code = manage(data, "update", project=newer_version(tmp_path, more="UPDATE no_such_table SET x = 1"))
    assert code == 1
    (backup,) = keeping.backups_in(data / "backups")
    assert "The database could not be brought up to date: no such table: no_such_table." in said
    assert "To go back, put the earlier program in place, then: " in said
    assert f"manage.py restore {backup.path}" in said
    assert rows(data / "buildlog.sqlite3") == before


def test_nothing_is_changed_where_the_backup_before_fails(data, tmp_path):
    project, before = newer_version(tmp_path), rows(data / "buildlog.sqlite3")
    (tmp_path / "in-the-way").write_text("a file where the folder should be")
    elsewhere = {"BUILDLOG_BACKUP_DIR": str(tmp_path / "in-the-way")}
    said, code = manage(data, "update", project=project, **elsewhere)
    assert code == 1
    assert "the backup before them failed" in said
    assert "--without-backup" in said
    assert rows(data / "buildlog.sqlite3") == before
    said, code = manage(data, "update", "--without-backup", project=project, **elsewhere)
    assert code == 0, said
    assert all(name.endswith("as the newer version writes it)") for name in names(data))


def test_two_that_start_at_one_moment_make_each_step_once(data, tmp_path):
    project = newer_version(tmp_path)
    command = [sys.executable, "manage.py", "update"]
    begun = [
        subprocess.Popen(command, cwd=project, env=environment(data), stdout=subprocess.PIPE, text=True)
        for _ in range(3)
    ]
    said = [one.communicate()[0] for one in begun]
    assert [one.returncode for one in begun] == [0, 0, 0], said
    assert sum("Bringing the database up to date" in one for one in said) == 1
    assert all(name.count("as the newer version writes it") == 1 for name in names(data))


@pytest.mark.parametrize("command", [["update"], ["backup"]])
def test_a_database_that_is_none_is_said(command, data):
    (data / "buildlog.sqlite3").write_bytes(b"no database at all" * 900)
    said, code = manage(data, *command)
    assert code == 1
    assert "Traceback" not in said
    assert "not a database" in said
