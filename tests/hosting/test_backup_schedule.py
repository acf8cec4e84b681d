"""Which backups stay, when one is made, and what the owner is told of them; with a made clock."""

import shutil
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from buildlog.hosting.backups import making, retention, schedule
from buildlog.hosting.backups import status as backup_status
from buildlog.hosting.backups.schedule import _begin as begin_for_real
from buildlog.storage.durable_files import locked

NOW = datetime(2026, 1, 17, 11, 0, tzinfo=UTC)


def nights(first, count, every=timedelta(days=1), **kind):
    return [
        retention.BackupFile(Path(f"{first + every * n}"), first + every * n, kind.get("before_update", False))
        for n in range(count)
    ]


def newest_first(backups):
    return sorted(backups, key=lambda item: item.made_at, reverse=True)


def left(backups, now):
    gone = {item.path for item in retention.to_remove(newest_first(backups), now)}
    return [item.made_at for item in newest_first(backups) if item.path not in gone]


def test_seven_days_and_eight_weeks_stay():
    """A year of nights: the rule is 7 daily and 8 weekly. 2026-01-17 is a Saturday, so the weeks' last are Sundays."""
    staying = left(nights(NOW - timedelta(days=365), 366), NOW)
    assert staying[:7] == [NOW - timedelta(days=n) for n in range(7)]
    # The newest of this week and of the last one are among the seven; six Sundays before them follow.
    assert staying[7:] == [datetime(2026, 1, 4, 11, tzinfo=UTC) - timedelta(weeks=n) for n in range(6)]
    assert all(item.weekday() == 6 for item in staying[7:])


def test_the_rule_gives_the_same_when_it_is_applied_every_night():
    held = []
    for n in range(200):
        now = NOW + timedelta(days=n)
        held.append(nights(now, 1)[0])
        staying = set(left(held, now))
        held = [item for item in held if item.made_at in staying]
    assert 12 <= len(held) <= 14
    assert min(item.made_at for item in held) <= NOW + timedelta(days=199 - 43)


def test_every_one_of_the_last_day_stays():
    assert len(left(nights(NOW - timedelta(hours=23), 24, timedelta(hours=1)), NOW)) == 24


def test_a_machine_that_was_off_all_summer_loses_nothing():
    spring = nights(NOW - timedelta(days=200), 7)
    assert len(left([*spring, *nights(NOW, 1)], NOW)) == 8 - 1
    assert left(spring, NOW) == [item.made_at for item in newest_first(spring)]


def test_a_wrong_clock_neither_loses_backups_nor_keeps_others_from_staying():
    later = nights(datetime(2035, 5, 1, tzinfo=UTC), 20)
    usual = nights(NOW - timedelta(days=30), 31)
    assert set(left([*later, *usual], NOW)) == {item.made_at for item in later} | set(left(usual, NOW))


def test_three_from_before_updates_stay_and_crowd_nothing_out():
    updates = nights(NOW - timedelta(days=300), 5, timedelta(days=30), before_update=True)
    usual = nights(NOW - timedelta(days=30), 31)
    staying = left([*updates, *usual], NOW)
    assert [item for item in staying if item < NOW - timedelta(days=31)] == [
        item.made_at for item in newest_first(updates)[:3]
    ]


def test_old_ones_go_and_other_files_stay(data):
    folder = data / "backups"
    folder.mkdir()
    stale = f".firnlog-2026-01-01T110000Z{retention.installation()}.zip.1"
    for name in ("notes.txt", "firnlog-2025-13-45T990000Z.zip", "firnlog-holiday.zip", f"{stale}.part"):
        (folder / name).write_text("x")
    (folder / stale).mkdir()  # what a backup that was killed had unpacked
    (folder / stale / "database.sqlite3").write_text("x")
    for n in range(30):
        making.make_backup(data, now=NOW + timedelta(days=n))
    names = {path.name for path in folder.iterdir()}
    assert {"notes.txt", "firnlog-2025-13-45T990000Z.zip", "firnlog-holiday.zip"} <= names
    assert not {name for name in names if name.startswith(".")}
    assert len(retention.backups_in(folder)) == 7 + 4  # to Sunday 2026-02-15; the Sundays 01-18 to 02-08 besides


def test_two_logs_in_one_folder_leave_each_other_alone(data, settings, tmp_path):
    """The other is a restored copy of the first: it has the same key."""
    folder = data / "backups"
    settings.DATA = shutil.copytree(data, tmp_path / "copy")
    theirs = {making.make_backup(settings.DATA, now=NOW - timedelta(days=100 - n)).path for n in range(12)}
    kept = set(folder.iterdir())
    assert len(kept) < len(theirs)  # by the rule of that log itself
    being_written = folder / f".{retention.name_for(NOW)}.0.part"
    being_written.write_text("x")
    settings.DATA = data
    for n in range(12):
        making.make_backup(data, now=NOW + timedelta(days=n))
    assert {*kept, being_written} <= set(folder.iterdir())
    own = [backup for backup in retention.backups_in(folder) if backup.is_own]
    assert len(own) == len(retention.backups_in(folder)) - len(kept)


def test_an_old_one_that_cannot_be_removed_spoils_no_new_one(data):
    stuck = data / "backups" / retention.name_for(NOW - timedelta(days=300))
    stuck.mkdir(parents=True)  # under the name of a backup, and no file
    (data / "backups" / retention.name_for(NOW - timedelta(days=300, hours=-1))).write_text("a later one of that day")
    for n in range(12):
        made = making.make_backup(data, now=NOW - timedelta(days=12 - n))
    assert made.not_removed[0].startswith("Is a directory")
    assert backup_status.read(data).trouble == ""
    assert backup_status.read(data).last_good_at == NOW - timedelta(days=1)
    assert len(retention.backups_in(data / "backups")) < 12


def test_a_folder_that_may_not_be_looked_into_has_none_and_is_said(tmp_path):
    # Longer than any name may be: asking for it is an error, and no answer.
    unreachable = tmp_path / ("x" * 300)
    assert retention.backups_in(unreachable) == []
    data = backup_status.BackupStatus(since=NOW, last_good_at=NOW, last_good_file=str(unreachable))
    assert "The last backup is gone, or may not be looked at: " in backup_status.warning(data, 24, NOW)


def test_a_name_says_the_moment_and_two_of_one_second_are_two(tmp_path):
    first = retention.free_name(tmp_path, NOW)
    first.write_text("")
    second = retention.free_name(tmp_path, NOW)
    second.write_text("")
    assert first != second
    assert [(backup.made_at, backup.path) for backup in retention.backups_in(tmp_path)] == [(NOW, second), (NOW, first)]


# When, and what is said of it


def stood(**values):
    return backup_status.BackupStatus(since=NOW - timedelta(days=400), **values)


@pytest.mark.parametrize(
    ("status", "hours", "due"),
    [
        ({}, 24, True),
        ({}, 0, False),
        ({"last_good_at": NOW - timedelta(hours=23)}, 24, False),
        ({"last_good_at": NOW - timedelta(hours=24)}, 24, True),
        ({"last_good_at": NOW + timedelta(days=900)}, 24, True),  # the clock was wrong when it was made
        (
            {"last_good_at": NOW - timedelta(hours=30), "trouble": "x", "tried_at": NOW - timedelta(minutes=59)},
            24,
            False,
        ),
        (
            {"last_good_at": NOW - timedelta(hours=30), "trouble": "x", "tried_at": NOW - timedelta(minutes=60)},
            24,
            True,
        ),
        ({"trouble": "x", "tried_at": NOW + timedelta(days=900)}, 24, True),
        ({"last_good_at": NOW - timedelta(hours=1), "trouble": "x", "tried_at": NOW}, 24, False),
    ],
)
def test_when_one_is_due(status, hours, due):
    assert backup_status.is_due(stood(**status), hours, NOW) is due


@pytest.mark.parametrize(
    ("status", "hours", "words"),
    [
        ({"last_good_at": NOW - timedelta(hours=47)}, 24, ""),
        ({"last_good_at": NOW - timedelta(hours=49)}, 24, "The last backup is 2 days old."),
        ({"last_good_at": NOW - timedelta(days=7)}, 0, ""),
        ({"last_good_at": NOW - timedelta(days=9)}, 0, "The last backup is 9 days old."),
        ({}, 24, "No backup has been made yet."),
        ({"trouble": "No space left on device."}, 24, "The last backup failed: No space left on device."),
        ({"last_good_at": NOW + timedelta(days=2)}, 24, "clock"),
        ({"last_good_at": NOW, "last_good_file": "/no/such/file.zip"}, 24, "The last backup is gone"),
        ({"last_good_at": NOW, "last_good_file": "/no/such/stick/file.zip", "elsewhere": True}, 24, ""),
    ],
)  # fmt: skip
def test_what_the_owner_is_told(status, hours, words):
    text = backup_status.warning(stood(**status), hours, NOW)
    assert words in text
    assert bool(text) is bool(words)


def test_a_new_installation_is_not_scolded(tmp_path):
    assert backup_status.warning(backup_status.read(tmp_path), 24, datetime.now(UTC)) == ""


@pytest.mark.parametrize("note", ["", "{", "[]", '{"since": 3}', '{"since": "x"}', '{"nonsense": 1}', "\x00"])
def test_a_damaged_note_counts_as_none(note, tmp_path):
    (tmp_path / backup_status.NOTE).write_text(note)
    assert backup_status.read(tmp_path).last_good_at is None


def test_of_many_workers_exactly_one_makes_the_backup(data, monkeypatch):
    """Each worker looks at the same moment; the command itself is replaced by one that counts and makes the backup."""
    begun = []

    class Command:
        def __init__(self):
            begun.append(1)

        def wait(self):
            making.make_backup(data)
            return 0

    monkeypatch.setattr(schedule, "_begin", lambda *_: Command())
    at_once = threading.Barrier(12)
    tried = []

    def worker():
        at_once.wait()
        tried.append(schedule.back_up_if_due(data, 24))

    workers = [threading.Thread(target=worker) for _ in range(12)]
    for item in workers:
        item.start()
    for item in workers:
        item.join()
    assert (tried.count(0), tried.count(None)) == (1, 11)
    assert (len(begun), len(retention.backups_in(data / "backups"))) == (1, 1)
    assert schedule.back_up_if_due(data, 24) is None
    print("12 workers found a backup due at one moment; 1 made it")


class Enough(Exception):
    pass


@pytest.mark.parametrize(("code", "waits"), [(0, [60.0, 60.0]), (1, [60.0, 3600.0])])
def test_after_one_that_failed_it_waits_also_where_no_note_can_be_written(code, waits, tmp_path, monkeypatch):
    waited = []

    def wait(seconds):
        waited.append(seconds)
        if len(waited) > 1:
            raise Enough

    monkeypatch.setattr(schedule.time, "sleep", wait)
    monkeypatch.setattr(schedule, "back_up_if_due", lambda *_: code)
    with pytest.raises(Enough):
        schedule._watch(tmp_path, 24)
    assert waited == waits


def test_the_owner_s_button_says_what_the_command_said(data, monkeypatch):
    monkeypatch.setattr(schedule, "_begin", begin_for_real)
    monkeypatch.setenv("BUILDLOG_DATA_DIR", str(data))
    monkeypatch.setenv("DJANGO_SETTINGS_MODULE", "buildlog.config.settings")
    monkeypatch.delenv("DATABASE_URL", raising=False)
    assert schedule.back_up_now(120) == ""
    with locked(data / making.LOCK):
        text = schedule.back_up_now(120)
    assert text == "Another backup or a restore is going on. Wait until it has ended."
    assert backup_status.read(data).trouble == ""
    assert len(retention.backups_in(data / "backups")) == 1
    with pytest.raises(schedule.StillGoingOn):
        schedule.back_up_now(0.01)
