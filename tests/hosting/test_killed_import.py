"""An import that is killed in the middle, on a real server: it is taken up again, once, and gives the whole log."""

import contextlib
import hashlib
import json
import os
import re
import shutil
import signal
import sqlite3
import uuid
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from tests import data_folders, migrated_databases
from tests.hosting.test_serve import answer, start
from tests.hosting.test_several_workers import PASSWORD, Visitor
from tests.processes import LONGEST_WAIT_S, tree, wait_until, wait_until_gone
from tests.servers import free_port

ROWS = 300_000
"""Enough for a file that is imported by a process of its own, and for some seconds in which to kill it."""
pytestmark = pytest.mark.own_database


def logger_file(number):
    """No two of them are the same."""
    head = b"time (s),U (V),I (A)\n"
    return head + b"".join(b"%.2f,52.%03d,%d.5\n" % (n / 100, (n + number) % 777, n % 80) for n in range(ROWS))


@contextlib.contextmanager
def running(folder):
    """A server, and somebody who is signed in."""
    port = free_port()
    with start(folder, "--port", str(port), "--workers", "2") as server:
        answer(server, port)
        visitor = Visitor(f"http://127.0.0.1:{port}")
        assert visitor.send("/sign-in/", username="mara", password=PASSWORD)[0] == 302
        yield server, visitor


def upload(visitor, session, content, name):
    visitor.ask(f"/sessions/{session}/new-log/")
    parts = [
        f'--edge\r\nContent-Disposition: form-data; name="csrfmiddlewaretoken"\r\n\r\n{visitor.token}\r\n'.encode(),
        f'--edge\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n'.encode(),
        content,
        b"\r\n--edge--\r\n",
    ]
    headers = {"Content-Type": "multipart/form-data; boundary=edge"}
    status, _ = visitor.ask(f"/sessions/{session}/new-log/", b"".join(parts), **headers)
    assert status == 302


def ask_for_the_import(visitor, log):
    page = visitor.ask(f"/sessions/logs/{log}/columns/")[1]
    hidden = dict(re.findall(r'name="(encoding|delimiter|decimal|first_line)" value="([^"]*)"', page))
    chosen = {"column_0": "time_s|seconds", "column_1": "voltage_v|V", "column_2": "current_a|A"}
    status, _ = visitor.send(f"/sessions/logs/{log}/columns/", **hidden, **chosen, read="yes", reason="invented")
    assert status == 302


def importing(folder, but=()):
    """The process that has the stored file open to read it, or None."""
    for process in Path("/proc").iterdir():
        if not process.name.isdigit() or int(process.name) in but:
            continue
        try:
            if b"import_log" not in (process / "cmdline").read_bytes():
                continue
            opened = [os.readlink(file) for file in (process / "fd").iterdir()]
        except OSError:
            continue
        if any(name.startswith(str(folder / "media/logs")) for name in opened):
            return int(process.name)
    return None


def row(folder, sql, *values):
    with closing(sqlite3.connect(folder / "buildlog.sqlite3", timeout=20)) as database, database:
        return database.execute(sql, values).fetchone()


def done(visitor, log):
    progress = json.loads(visitor.ask(f"/sessions/logs/{log}/import-progress/")[1])
    return progress["state"] == "done"


def killed_once(folder, visitor, log):
    """The process that took an import up after a kill, stopped in the middle; None where it was done meanwhile."""
    ask_for_the_import(visitor, log)
    pids = []
    # Killed while the file is open: the worker that waits for the process begins again at once.
    for number in (signal.SIGKILL, signal.SIGSTOP):
        pid = wait_until(lambda: importing(folder, but=pids) or done(visitor, log), "an import, or its end")
        if pid is True:
            return None
        pids.append(pid)
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, number)
    if row(folder, "SELECT attempts, state FROM test_sessions_logimport") == (2, "running"):
        return pid
    os.kill(pid, signal.SIGKILL)
    return None


def test_an_import_killed_in_the_middle_is_taken_up_again(filled_folder, collected, tmp_path):
    folder = tmp_path / "data"
    shutil.copytree(filled_folder, folder)
    data_folders.lay_static_files(collected, folder)
    with running(folder) as (server, visitor):
        session = uuid.UUID(row(folder, "SELECT id FROM test_sessions_session")[0])
        # That it can be caught shows that the page does not wait for it. Where this test stops, it may come too late.
        for number in range(8):
            content, name = logger_file(number), f"long-{number}.csv"
            upload(visitor, session, content, name)
            log = uuid.UUID(row(folder, "SELECT id FROM test_sessions_log WHERE name = ?", name)[0])
            if second := killed_once(folder, visitor, log):
                break
        assert second, "each was done before it could be killed"
        assert "Cancel the import" in visitor.ask(f"/sessions/logs/{log}/")[1]
        workers = [pid for pid in tree(server.pid) if pid not in (server.pid, second)]
        server.kill()
        server.wait()
    # The whole machine goes down, and comes up when the claim has run out. First the workers, which notice within a
    # second that the server is gone: one that still waited for the process would begin it once more.
    assert not wait_until_gone(workers, LONGEST_WAIT_S)
    os.kill(second, signal.SIGKILL)
    wait_until(lambda: importing(folder) is None, "the end of the import")
    state_and_rows = "SELECT state, row_count FROM test_sessions_log WHERE name = ?"
    assert row(folder, state_and_rows, name) == ("waiting", 0)
    row(folder, "UPDATE test_sessions_logimport SET claimed_until = '2026-01-01 00:00:00' RETURNING id")
    with running(folder) as (server, visitor):
        wait_until(lambda: done(visitor, log), "the end of the import", server)
        assert row(folder, "SELECT count(*) FROM test_sessions_logimport") == (0,)
        assert row(folder, state_and_rows, name) == ("read", ROWS)
        summary, original, columns = row(
            folder, "SELECT summary, original, columns FROM test_sessions_log WHERE name = ?", name
        )
        # By hand: 0.5 to 79.5 A by turns are 40 A in the mean, over 3,000 s less 10 ms.
        assert json.loads(summary)["facts"]["charge_ah"] == pytest.approx(40 * (ROWS - 1) / 100 / 3600, rel=1e-4)
        assert hashlib.sha256((folder / "media" / original).read_bytes()).digest() == hashlib.sha256(content).digest()
        # Nothing half written is left behind.
        named = {original, columns}
        assert {f"logs/{file.name}" for file in (folder / "media/logs").iterdir() if str(log) in file.name} == named
        assert visitor.ask(f"/sessions/{session}/recordings/")[0] == 200
        server.stop()


CLAIM = """
from datetime import timedelta
from sessions.logs import import_jobs
from sessions.logs.import_jobs import claim_next
import_jobs.CLAIM = timedelta(days=1)  # one of the four may begin long after the others
print(*[job.log.name for job in (claim_next() for _ in range(3)) if job])
"""
ASK = """
from buildlog.models import Revision, Vehicle
from sessions.logs.import_jobs import ask_for
from sessions.models import Log, Session, Venue
revision = Revision.objects.create(vehicle=Vehicle.objects.create(name="Sled"), number=1, date="2026-01-10")
session = Session.objects.create(
    revision=revision, venue=Venue.objects.create(name="Lake"), started_at="2026-01-17T11:00:00Z"
)
for n in range(2):
    ask_for(Log.objects.create(session=session, kind="csv", state="waiting", size_bytes=9, sha256=str(n) * 64, name=n))
"""


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_of_many_that_look_at_once_each_import_is_claimed_by_one(kind, migrated, tmp_path, request):
    folder, more = tmp_path / "data", {}
    if kind == "sqlite":
        migrated_databases.lay_down(migrated, folder)
    else:
        template = request.getfixturevalue("migrated_on_server")
        more["DATABASE_URL"] = request.getfixturevalue("postgresql").make_database("claims", template)
    output, code = data_folders.manage(folder, "shell", "-v0", "-c", ASK, **more)
    assert code == 0, output
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: data_folders.manage(folder, "shell", "-v0", "-c", CLAIM, **more), range(4)))
    assert [code for _, code in answers] == [0] * 4, answers
    assert sorted(name for text, _ in answers for name in text.split()) == ["0", "1"]
