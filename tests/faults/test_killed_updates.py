"""An update that dies at any moment leaves a database from which the next start goes on by itself; with figures."""

import subprocess
import sys

import pytest

from tests.data_folders import PROJECT, environment
from tests.faults.test_faults import told_by

pytestmark = pytest.mark.own_database


def killed_updates(folder, *arguments, **more):
    folder.mkdir(mode=0o700)
    command = [sys.executable, "-m", "tests.faults.killed_updates", *map(str, arguments)]
    figures = told_by(command, folder, **more)
    assert figures["not whole after the next start"] == []
    return figures


def test_every_window_of_the_newest_five_steps(earlier, in_memory):
    """Killed in every window, on the earlier release's data; a new step is among them by itself."""
    figures = killed_updates(in_memory / "data", earlier, 0, 5)
    assert figures["steps"] == 5
    assert figures["killed in"] == figures["windows"] >= 4 * 5
    assert figures["backups before the update"] == 1


def test_every_window_of_an_update_of_the_earlier_release_s_data(earlier, in_memory):
    """Killed in the windows of one step of all; what a kill would leave is looked at in every window."""
    figures = killed_updates(in_memory / "data", earlier, 1)
    assert figures["looked at"] == figures["windows"] >= 4 * figures["steps"] >= 12
    assert figures["killed in"] >= 3
    assert figures["backups before the update"] == 1


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
