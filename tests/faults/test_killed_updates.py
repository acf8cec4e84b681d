"""An update that dies at any moment leaves a database from which the next start goes on by itself; with figures."""

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time

import pytest

from tests.data_folders import PROJECT, environment, manage, rows
from tests.faults.test_faults import figures_of

pytestmark = pytest.mark.own_database

KILLS = 3
MADE_ANEW = {"django_migrations"}
"""Tables with the moment of the update in them."""


def killed_updates(folder, *arguments, **more):
    folder.mkdir(mode=0o700)
    command = [sys.executable, "-m", "tests.faults.killed_updates", *map(str, arguments)]
    figures = figures_of(command, folder, **more)
    assert figures["not whole after the next start"] == []
    return figures


def test_every_window_of_the_newest_two_steps(earlier, in_memory):
    """Killed in every window, on the earlier release's data; a new step is among them by itself."""
    figures = killed_updates(in_memory / "data", earlier, 0, 2)
    assert figures["steps"] == 2
    assert figures["killed in"] == figures["windows"] >= 4 * 2
    assert figures["backups before the update"] == 1


def test_every_window_of_an_update_of_the_earlier_release_s_data(earlier, in_memory):
    """Killed in the windows of one step of all; what a kill would leave is looked at in every window."""
    figures = killed_updates(in_memory / "data", earlier, 1)
    assert figures["looked at"] == figures["windows"] >= 4 * figures["steps"] >= 12
    assert figures["killed in"] >= 3
    assert figures["backups before the update"] == 1


def test_a_whole_update_that_is_killed_at_any_moment_is_ended_by_the_next(earlier, in_memory):
    """The command itself, killed by the clock and not at a window that somebody thought of; then let go on."""
    chance, began = random.Random(20261128), time.monotonic()
    assert manage(copied(earlier, in_memory / "whole"), "update")[1] == 0
    whole_s = time.monotonic() - began
    expected, cut_off = rows(in_memory / "whole" / "buildlog.sqlite3"), 0
    for number in range(KILLS):
        folder = copied(earlier, in_memory / f"killed-{number}")
        running = subprocess.Popen(
            [sys.executable, "manage.py", "update"], cwd=PROJECT, env=environment(folder), start_new_session=True,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        began = time.monotonic()
        with contextlib.suppress(subprocess.TimeoutExpired):
            running.wait(chance.uniform(0, whole_s))
            # The machine was busier when the first one was timed.
            whole_s = min(whole_s, time.monotonic() - began)
        cut_off += running.poll() is None
        with contextlib.suppress(ProcessLookupError):
            os.killpg(running.pid, signal.SIGKILL)
        running.wait()
        output, code = manage(folder, "update")
        assert code == 0, output
        after = rows(folder / "buildlog.sqlite3")
        assert {name for name in expected if after.get(name) != expected[name]} <= MADE_ANEW, folder
        shutil.rmtree(folder)
    print(f"{cut_off} of {KILLS} updates of {whole_s:.1f} s cut off, all whole after the next")
    assert cut_off, "every update was over before it was to be killed"


def copied(template, folder):
    shutil.copytree(template, folder)
    return folder


def test_every_window_of_building_an_empty_database(in_memory):
    figures = killed_updates(in_memory / "data", "empty", 3)
    assert figures["looked at"] == figures["windows"] > 100
    assert figures["steps"] >= 33
    assert figures["killed in"] >= 3


def test_windows_of_an_update_on_a_server(earlier, postgresql, in_memory):
    address = postgresql.make_database("earlier")
    lay_down = [sys.executable, "-m", "tests.faults.earlier_on_server", str(earlier / "buildlog.sqlite3")]
    surroundings = environment(in_memory / "laid-down", DATABASE_URL=address)
    subprocess.run(lay_down, cwd=PROJECT, env=surroundings, check=True)
    at = {"DATABASE_URL": postgresql.make_database("killed")}
    figures = killed_updates(in_memory / "data", "earlier", 1, **at)
    assert figures["killed in"] >= 3
    assert figures["backups before the update"] == 1
    assert killed_updates(in_memory / "built", "empty", 3, **at)["killed in"] >= 3
