"""A stored file that changed by itself is noticed at the next backup, said, and brought back from the one before."""

from datetime import UTC, datetime, timedelta

import pytest
from django.core.management import CommandError, call_command

from buildlog.hosting import health
from buildlog.hosting.backups import database_check, making, retention, schedule
from buildlog.hosting.backups import status as backup_status
from buildlog.hosting.backups.warnings import warnings_here

pytestmark = pytest.mark.own_database

NOW = datetime(2026, 1, 17, 11, 0, tzinfo=UTC)


def flip_a_bit(path, at=0.5):
    content = bytearray(path.read_bytes())
    content[int(len(content) * at)] ^= 1
    path.write_bytes(content)


@pytest.fixture
def photo(data):
    return next((data / "media" / "photos").glob("*-small.jpg"))


def warning(data, hours=24.0):
    return backup_status.warning(backup_status.read(data), hours, NOW + timedelta(days=1))


def test_a_flipped_bit_is_said_with_the_backup_that_has_the_file_whole(data, photo):
    good = making.make_backup(data, now=NOW).path
    assert warning(data) == ""
    whole = photo.read_bytes()
    flip_a_bit(photo)
    making.make_backup(data, now=NOW + timedelta(hours=1))
    name = f"photos/{photo.name}"
    assert f"manage.py restore {good} --file {name}" in warning(data)
    # The next backup has the damage too, and does not call it well for that.
    making.make_backup(data, now=NOW + timedelta(hours=2))
    assert f"restore {good}" in warning(data)
    call_command("restore", str(good), upload=name)
    assert photo.read_bytes() == whole
    making.make_backup(data, now=NOW + timedelta(hours=3))
    assert warning(data) == ""


def test_the_backup_that_has_it_whole_is_kept_until_then(data, photo, monkeypatch):
    monkeypatch.setattr(retention, "to_remove", lambda backups, now: list(backups))  # no rule keeps any
    good = making.make_backup(data, now=NOW).path
    flip_a_bit(photo)
    for day in (1, 2):
        making.make_backup(data, now=NOW + timedelta(days=day))
    assert good.exists()
    photo.unlink()
    making.make_backup(data, now=NOW + timedelta(days=3))
    assert not good.exists(), "a file that was deleted is not damaged"


def spoil(database):
    """Write over the pages of a table, as a dying disk does, and leave the head of the file."""
    content = bytearray(database.read_bytes())
    for page in range(len(content) // 4096 // 2, len(content) // 4096):
        content[page * 4096 : page * 4096 + 200] = b"\x5a" * 200
    database.write_bytes(content)


def test_a_database_that_is_damaged_is_said_after_the_start_and_each_day(data, db):
    started = NOW
    assert database_check.is_due(data, started, NOW)
    assert database_check.look(data, NOW).trouble == ""
    assert database_check.warning(data) == ""
    assert not database_check.is_due(data, started, NOW + timedelta(hours=23))
    assert database_check.is_due(data, started, NOW + timedelta(hours=24))
    assert database_check.is_due(data, NOW + timedelta(minutes=1), NOW + timedelta(minutes=2)), "a new start"
    good = making.make_backup(data, now=NOW).path
    spoil(data / "buildlog.sqlite3")
    database_check.look(data, NOW + timedelta(days=1))
    text = database_check.warning(data)
    assert "The database is damaged on the disk" in text
    assert f"manage.py restore {good}" in text
    # The owner's pages and health have it, with what to do.
    assert text in warnings_here(NOW)
    finding = health.examine(["database"])["database"]
    assert finding.trouble == text
    call_command("restore", str(good))
    assert database_check.look(data, NOW + timedelta(days=2)).trouble == ""
    assert database_check.warning(data) == ""


def test_the_schedule_looks_also_where_another_host_makes_the_backups(data, monkeypatch):
    asleep = iter([None])

    def sleep(_seconds):
        try:
            next(asleep)
        except StopIteration:
            raise SystemExit from None

    monkeypatch.setattr(schedule.time, "sleep", sleep)
    with pytest.raises(SystemExit):
        schedule._watch(data, 0)
    assert database_check.read(data).looked_at is not None
    assert not (data / "backups").exists()


def test_files_that_come_and_go_are_no_damage(data, photo):
    making.make_backup(data, now=NOW)
    photo.unlink()
    (photo.parent / "another.jpg").write_bytes(b"new")
    making.make_backup(data, now=NOW + timedelta(hours=1))
    assert backup_status.read(data).damaged_files == ()


def test_a_note_of_an_earlier_version_is_read(data):
    making.make_backup(data, now=NOW)
    note = data / backup_status.NOTE
    text = note.read_text()
    assert '"damaged_files": []' in text
    note.write_text(text.replace(',\n "damaged_files": []', ""))
    assert "damaged" not in note.read_text()
    assert backup_status.read(data).last_good_at == NOW


def test_a_file_that_the_backup_does_not_have_is_refused(data):
    good = making.make_backup(data, now=NOW).path
    with pytest.raises(CommandError, match=r"no file photos/none\.jpg"):
        call_command("restore", str(good), upload="photos/none.jpg")
