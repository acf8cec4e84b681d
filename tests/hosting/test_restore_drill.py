"""The trial restore of each month: what it compares, when it is due, and what is said of it."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from django.core.management import CommandError, call_command

from buildlog.hosting import health
from buildlog.hosting.backups import drill, encryption, making, package, schedule
from tests.data_folders import content

pytestmark = pytest.mark.own_database

NOW = datetime(2026, 1, 17, 11, 0, tzinfo=UTC)


@pytest.mark.parametrize("encrypted", [False, True])
def test_the_newest_is_restored_beside_and_nothing_here_changes(data, settings, encrypted):
    if encrypted:
        settings.BACKUP_PUBLIC_KEY = encryption.new_key()[1]
    making.make_backup(data, now=NOW - timedelta(days=1))
    made = making.make_backup(data, now=NOW)
    before = content(data)
    done = drill.carry_out(data, NOW)
    assert (done.file, done.record_count) == (made.path.name, made.manifest.record_count)
    assert done.file_count == made.manifest.file_count >= 8
    assert done.made_at == NOW
    after = content(data)
    after.pop(drill.NOTE)
    assert after == before


def rewritten(backup, statement):
    """A backup whose seal and hashes are right, and whose database is another."""
    manifest = package.read(backup)
    folder = backup.parent / "opened"
    folder.mkdir()
    package.unpack(backup, manifest, folder)
    with closing(sqlite3.connect(folder / package.DATABASE)) as connection, connection:
        connection.execute(statement)
    with package.Writer(backup) as writer:
        for part in manifest.parts:
            with (folder / part.name).open("rb") as file:
                writer.add(part.name, file)
        facts = {name: value for name, value in manifest.__dict__.items() if name != "parts"}
        writer.finish(**facts)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("DELETE FROM test_sessions_reading WHERE id = (SELECT min(id) FROM test_sessions_reading)", "not the one"),
        ("UPDATE buildlog_photo SET image = 'photos/gone.jpg' WHERE id = (SELECT min(id) FROM buildlog_photo)", "gone"),
        ("UPDATE test_sessions_reading SET session_id = 'f' WHERE id = (SELECT min(id) FROM test_sessions_reading)",
         "missing"),
    ],
)  # fmt: skip
def test_a_record_or_file_that_does_not_come_back_is_seen(data, statement, words):
    made = making.make_backup(data, now=NOW).path
    rewritten(made, statement)
    assert package.read(made), "whole by its seal and hashes"
    with pytest.raises(drill.DrillFailed, match=words):
        drill.carry_out(data, NOW)
    noted = drill.read(data)
    assert noted.done_at is None
    assert words in drill.warning(data, NOW)


def test_it_is_due_from_the_first_backup_on_and_then_each_month(data):
    assert not drill.is_due(data, NOW), "there is nothing to restore yet"
    making.make_backup(data, now=NOW)
    assert drill.is_due(data, NOW)
    drill.carry_out(data, NOW)
    assert not drill.is_due(data, NOW + timedelta(days=29))
    assert drill.is_due(data, NOW + timedelta(days=30))
    assert drill.is_due(data, NOW - timedelta(days=1)), "a time in the future proves nothing"


def test_after_a_failure_it_is_tried_each_day_and_the_good_one_before_is_remembered(data):
    made = making.make_backup(data, now=NOW).path
    drill.carry_out(data, NOW)
    made.write_bytes(b"not a backup at all")
    later = NOW + timedelta(days=31)
    with pytest.raises(drill.DrillFailed):
        drill.carry_out(data, later)
    assert drill.read(data).done_at == NOW
    assert not drill.is_due(data, later + timedelta(hours=23))
    assert drill.is_due(data, later + timedelta(hours=25))


def test_one_that_is_overdue_is_warned_of(data):
    making.make_backup(data, now=NOW)
    drill.carry_out(data, NOW)
    assert drill.warning(data, NOW + timedelta(days=44)) == ""
    assert "50 days ago" in drill.warning(data, NOW + timedelta(days=50))


def test_its_age_is_in_health(data, settings):
    making.make_backup(data)
    assert health.backup().figures["restore_drill_age_d"] is None
    drill.carry_out(data, datetime.now(UTC) - timedelta(days=3))
    backup = health.backup()
    assert backup.figures["restore_drill_age_d"] == 3.0
    assert backup.trouble == ""


def test_the_schedule_begins_it(data, monkeypatch):
    begun = []

    class Command:
        def wait(self):
            return 0

    monkeypatch.setattr(schedule, "_begin", lambda *words, **_: begun.append(words) or Command())
    assert schedule.drill_if_due(data) is None
    making.make_backup(data)
    assert schedule.drill_if_due(data) == 0
    assert begun == [("restore", "--drill", "--if-due")]


def test_by_the_command(data, capsys):
    with pytest.raises(CommandError, match="no backup to restore on trial yet"):
        call_command("restore", drill=True)
    making.make_backup(data)
    call_command("restore", drill=True, if_due=True)
    assert "all as they were. Nothing here was changed." in capsys.readouterr().out
    call_command("restore", drill=True, if_due=True)
    assert "No trial restore is due." in capsys.readouterr().out
