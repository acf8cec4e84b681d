"""What befalls a machine on a shelf: power cuts, crowds, a full disk, damaged backups, old data. With figures.

The writers and the full disk are processes of their own, on installations of their own; see `writing` and `full_disk`.
"""

import json
import os
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from buildlog.hosting.backups import making, restoring
from buildlog.hosting.backups.package import NotABackup
from tests.data_folders import PROJECT, content, environment, lay_static_files, manage, rows
from tests.processes import LONGEST_WAIT_S, table, tree, wait_until_gone

pytestmark = pytest.mark.own_database

HERE = Path(__file__).parent
EARLIER = json.loads((HERE / "earlier_release" / "rows.json").read_text())
# The step 0045_no_admin_log takes it away, with the framework's own pages that wrote into it.
del EARLIER["django_admin_log"]
# Written anew on purpose: the step 0008_access makes the framework's flags follow the role.
FOLLOW_THE_ROLE = {"is_staff", "is_superuser"}
COLUMNS = {table: item["columns"] for table, item in EARLIER.items()}
# Worked out since 0020_no_stored_states; what was called held is a signature.
CHANGED = {
    "buildlog_account": FOLLOW_THE_ROLE,
    "buildlog_failure": {"state", "recurrence_of_id"},
    "buildlog_modification": {"disproved_by_id"},
}
UNCHANGED = {table: sorted({*names} - CHANGED.get(table, set())) for table, names in COLUMNS.items()}


LONGEST_DRILL_S = 1800
"""Minutes of an idle machine, where one core does all the work of others as well."""


def figures_of(command, folder, timeout_s=LONGEST_DRILL_S, **more):
    """Run a module of this folder on an installation, show the figures it prints, and return them.

    In a group of its own, so that what takes too long ends with the servers that it started.
    """
    running = subprocess.Popen(
        command, cwd=PROJECT, env=environment(folder, **more), text=True, start_new_session=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        output, trouble = running.communicate(timeout=timeout_s)
    except subprocess.TimeoutExpired:
        print(table(tree(running.pid)))
        os.killpg(running.pid, signal.SIGKILL)
        output, trouble = running.communicate()
        print(output[-3000:], trouble[-3000:], sep="\n")
        raise
    assert running.returncode == 0, trouble[-3000:]
    figures = json.loads(output)
    print(json.dumps(figures, indent=1))
    return figures


def test_a_drill_that_takes_too_long_leaves_no_server_behind(data):
    starts = (
        "import pathlib, subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(900)'])\n"
        "pathlib.Path(sys.argv[1]).write_text(str(child.pid)); time.sleep(900)"
    )
    note = data / "server.pid"
    # On a busy machine it may not have begun after a few seconds.
    for timeout_s in (3, 20, 90):
        with pytest.raises(subprocess.TimeoutExpired):
            figures_of([sys.executable, "-c", starts, str(note)], data, timeout_s=timeout_s)
        if note.exists() and note.read_text():
            break
    assert not wait_until_gone([int(note.read_text())], LONGEST_WAIT_S)


def test_a_hundred_kills_lose_nothing_that_was_acknowledged(data):
    """SIGKILL shows that no record is acknowledged before it is committed.

    What the disk itself keeps through a power cut is SQLite's promise for synchronous=FULL in WAL mode
    (sqlite.org/pragma.html#pragma_synchronous, sqlite.org/wal.html), which is asserted to be set.
    """
    figures = figures_of([sys.executable, "-m", "tests.faults.writing", "killed", "100"], data)
    assert figures["kills"] == 100
    # How many come in the middle of one is a matter of the machine and of what else it does.
    assert figures["in the middle of a write"] >= 50
    assert figures["acknowledged"] >= 50
    assert figures["of these photos"] >= 1
    assert (figures["lost"], figures["unreadable photos"]) == (0, 0)
    assert (figures["integrity_check"], figures["synchronous"]) == ("ok", 2)


def test_fifty_writers_at_once_are_all_served(data):
    """A machine that stops for the 20 s for which a writer waits makes some come again; it does not do so each time."""
    for _ in range(3):
        figures = figures_of([sys.executable, "-m", "tests.faults.writing", "crowd", "50"], data)
        assert (figures["writers"], figures["writes"]) == (50, 200)
        assert figures["answers 201"] == figures["stored"]
        if not figures["other answers"]:
            break
    assert figures["other answers"] == []
    assert figures["stored"] == 200


def can_make_a_disk():
    """A small disk in memory, seen by nobody else; needs no rights where the system lets a user have such a view."""
    command = ["unshare", "-rm", "sh", "-c", "mount -t tmpfs none /mnt"]
    return shutil.which("unshare") and not subprocess.run(command, capture_output=True).returncode


@pytest.mark.parametrize("way", ["disk", "limits"] if can_make_a_disk() else ["limits"])
def test_a_full_disk_refuses_kindly_and_loses_nothing(way, data, filled_folder):
    command = [sys.executable, "-m", "tests.faults.full_disk", way]
    if way == "disk":
        put = f"mount -t tmpfs -o size=16m none {data} && cp -a {filled_folder}/. {data}/"
        command = ["unshare", "-rm", "sh", "-c", f'{put} && exec "$@"', "sh", *command]
    figures = figures_of(command, data)
    assert figures["photo refused"] == [507, True]
    assert figures["track refused"] == [507, True]
    assert figures["half stored"] == []
    assert figures["writes acknowledged before it was full"] > 0
    assert figures["write refused"] == [507, True]
    assert figures["page refused"] == [507, True]
    assert figures["sent again from the answer"] == [302, True]
    assert figures["pages read meanwhile"] == [200, 200, 200]
    assert figures["read after days away"] == figures["read after that"] == [200] * 5
    assert (figures["read by a device"], figures["signed in"]) == (200, 302)
    assert figures["wrong passwords"] == [200] * 5 + [429] * 2
    assert figures["health"] == [503, "trouble", "trouble"] or way == "limits"
    assert (figures["signed in still"], figures["signed out then"]) == ([200, 200], [302, 302])
    assert figures["lost"] == 0
    assert figures["half backups"] == [] or way == "limits"
    # Before it begins, or where the room goes meanwhile.
    entries = ("A backup needs about", "No space left")
    assert any(words in figures["backup while full"] for words in entries) or way == "limits"
    assert figures["sent again"] == [201, 201, 302, 302]
    assert (figures["vehicle is there"], figures["warning after"], figures["integrity_check"]) == (1, "", "ok")


if can_make_a_disk():

    def test_a_restart_on_a_full_disk_serves_what_can_be_read_or_says_what_is_wrong(data, filled_folder):
        put = f"mount -t tmpfs -o size=64m,mode=700 none {data} && cp -a {filled_folder}/. {data}/"
        command = ["unshare", "-rm", "sh", "-c", f'{put} && exec "$@"', "sh"]
        figures = figures_of([*command, sys.executable, "-m", "tests.faults.full_restart"], data)
        assert (figures["first stop"], figures["blocks left"]) == (0, 0)
        assert (figures["started on a full disk"], figures["signed in"]) == (True, [200, True])
        assert (figures["pages"], figures["health"]) == ([200] * 4, 503)
        assert ["is full. What little room was kept" in line for line in figures["said"]] == [True]
        assert (figures["traces"], figures["second stop"]) == (0, 0)
        text, code = figures["nothing left"]
        assert (code, "Traceback" in text) == (1, False)
        assert f"cannot be opened. The disk of {data} is full: 0.0 MB are free. Make room, then start again." in text
        text, code = figures["no room for static files"]
        assert (code, "Traceback" in text) == (1, False)
        assert re.search(r"static files need about \d\d MB", text)


def test_a_hundred_damaged_backups_are_refused_and_the_data_untouched(data, tmp_path):
    whole = making.make_backup(data).path.read_bytes()
    chance, damaged = random.Random(20260117), tmp_path / "damaged.zip"
    before, sentences = content(data), {}
    # Anywhere, and at the places that are easily overlooked: the ends of the file.
    lengths = [0, 1, len(whole) - 1, len(whole) - 64, *(chance.randrange(len(whole)) for _ in range(46))]
    bits = [0, 7, len(whole) * 8 - 1, len(whole) * 8 - 6, *(chance.randrange(len(whole) * 8) for _ in range(46))]
    began = time.monotonic()
    for kind, places in (("cut short", lengths), ("one bit", bits)):
        for place in places:
            if kind == "cut short":
                damaged.write_bytes(whole[:place])
            else:
                flipped = bytearray(whole)
                flipped[place // 8] ^= 1 << place % 8
                damaged.write_bytes(flipped)
            with pytest.raises(NotABackup) as refused:
                restoring.restore(damaged, data)
            assert str(refused.value).endswith(".")
            sentences[kind, str(refused.value)] = sentences.get((kind, str(refused.value)), 0) + 1
    assert content(data) == before
    assert sum(sentences.values()) == 100
    for (kind, sentence), number in sentences.items():
        print(f"{number:3} × {kind}: {sentence}")
    print(f"100 of 100 refused in {time.monotonic() - began:.1f} s; {len(before)} files untouched")
    # The command says the same sentence, and the whole file is taken.
    output, code = manage(data, "restore", str(damaged))
    assert code == 1
    assert "Nothing was restored. The backup is damaged" in output
    damaged.write_bytes(whole)
    restoring.check(damaged)


def test_the_earlier_release_s_data_come_over_unchanged(earlier):
    """The rows of then, by table, and their hashes were written down by the code of then."""
    database = earlier / "buildlog.sqlite3"
    assert rows(database, COLUMNS) == {table: data["sha256"] for table, data in EARLIER.items()}
    then, uploads = rows(database, UNCHANGED), content(earlier / "media")
    output, code = manage(earlier, "update")
    assert code == 0, output
    assert rows(database, UNCHANGED) == then
    assert content(earlier / "media") == uploads
    with closing(sqlite3.connect(database)) as connection:
        accounts = connection.execute("SELECT role, is_staff, is_superuser FROM buildlog_account").fetchall()
    assert {role for role, *_ in accounts} >= {"owner", "builder"}
    assert all(flags == [role == "owner"] * 2 for role, *flags in accounts)
    count = sum(value["rows"] for value in EARLIER.values())
    print(f"{count} rows of {len(then)} tables, {len(uploads)} files: unchanged")


def test_a_backup_of_the_earlier_release_is_restored_into_this_one(earlier, data, settings):
    then = rows(earlier / "buildlog.sqlite3", UNCHANGED)
    settings.DATA, settings.MEDIA_ROOT, settings.BACKUP_DIR = earlier, earlier / "media", earlier / "backups"
    made = making.make_backup(earlier).path
    settings.DATA, settings.MEDIA_ROOT = data, data / "media"
    restoring.restore(made, data)
    assert rows(data / "buildlog.sqlite3", UNCHANGED) == then
    output, code = manage(data, "update")
    assert (output.strip(), code) == ("The database is up to date.", 0)


@pytest.mark.parametrize(("records", "at_once"), [(60, 50), (15, 1)])
def test_sixteen_phones_that_send_at_once_are_all_confirmed(data, collected, records, at_once):
    """On one core. How long it took is printed, and depends on the core; that all are confirmed does not.

    Some requests of each; `python -m tests.faults.sixteen_phones 16 300` sends a day's records.
    """
    lay_static_files(collected, data)
    command = [sys.executable, "-m", "tests.faults.sixteen_phones", "16", str(records), str(at_once)]
    figures = figures_of(command, data)
    assert figures["confirmed"] == figures["stored"] == figures["new readings"] == 16 * records
    # Where all come at once, some are asked to come again in a moment.
    assert all(answer.startswith("503 ") for answer in figures["other answers"])
