"""An import that is killed in the middle, on a real server: it is taken up again, once, and gives the whole log."""

import hashlib
import json
import os
import re
import shutil
import signal
import sqlite3
import threading
import time
import uuid
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from tests import data_folders, migrated_databases
from tests.hosting.test_serve import free_port, start
from tests.hosting.test_several_workers import PASSWORD, Visitor

ROWS = 600_000
pytestmark = pytest.mark.own_database


def logger_file():
    head = b"time (s),U (V),I (A)\n"
    return head + b"".join(b"%.2f,52.%03d,%d.5\n" % (n / 100, n % 777, n % 80) for n in range(ROWS))


def sign_in(address):
    visitor = Visitor(address)
    for _ in range(300):
        try:
            visitor.ask("/sign-in/")
            break
        except OSError:
            time.sleep(0.1)
    assert visitor.send("/sign-in/", username="mara", password=PASSWORD)[0] == 302
    return visitor


def begin(folder):
    port = free_port()
    server = start(folder, "--port", str(port), "--workers", "2")
    # What it says must not fill the pipe.
    threading.Thread(target=server.stdout.read, daemon=True).start()
    return server, sign_in(f"http://127.0.0.1:{port}")


def upload(visitor, session, content):
    visitor.ask(f"/sessions/{session}/new-log/")
    parts = [
        f'--edge\r\nContent-Disposition: form-data; name="csrfmiddlewaretoken"\r\n\r\n{visitor.token}\r\n'.encode(),
        b'--edge\r\nContent-Disposition: form-data; name="file"; filename="long.csv"\r\n\r\n' + content + b"\r\n",
        b"--edge--\r\n",
    ]
    headers = {"Content-Type": "multipart/form-data; boundary=edge"}
    status, _ = visitor.ask(f"/sessions/{session}/new-log/", b"".join(parts), **headers)
    assert status == 302


def ask_for_the_import(visitor, log):
    page = visitor.ask(f"/sessions/logs/{log}/columns/")[1]
    hidden = dict(re.findall(r'name="(encoding|delimiter|decimal|first_line)" value="([^"]*)"', page))
    chosen = {"column_0": "time_s|seconds", "column_1": "voltage_v|V", "column_2": "current_a|A"}
    began = time.monotonic()
    status, _ = visitor.send(f"/sessions/logs/{log}/columns/", **hidden, **chosen, read="yes", reason="invented")
    assert status == 302
    return time.monotonic() - began


def importing(folder):
    """The process that has the stored file open to read it, or None."""
    for process in Path("/proc").iterdir():
        if not process.name.isdigit():
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


def wait_for(what, seconds=60):
    for _ in range(int(seconds * 50)):
        if (answer := what()) is not None:
            return answer
        time.sleep(0.02)
    raise AssertionError("It does not come.")


def row(folder, sql):
    with closing(sqlite3.connect(folder / "buildlog.sqlite3", timeout=20)) as database, database:
        return database.execute(sql).fetchone()


def done(visitor, log):
    progress = json.loads(visitor.ask(f"/sessions/logs/{log}/import-progress/")[1])
    return True if progress["state"] == "done" else None


def test_an_import_killed_in_the_middle_is_taken_up_again(filled_folder, tmp_path):
    folder = tmp_path / "data"
    shutil.copytree(filled_folder, folder)
    content = logger_file()
    server, visitor = begin(folder)
    try:
        session = uuid.UUID(row(folder, "SELECT id FROM test_sessions_session")[0])
        upload(visitor, session, content)
        log = uuid.UUID(row(folder, "SELECT id FROM test_sessions_log WHERE name = 'long.csv'")[0])
        waited_s = ask_for_the_import(visitor, log)
        assert waited_s < 10
        # The process is killed while the file is open: the worker that waits for it begins again at once.
        first = wait_for(lambda: importing(folder))
        os.kill(first, signal.SIGKILL)
        second = wait_for(lambda: pid if (pid := importing(folder)) not in (None, first) else None)
        os.kill(second, signal.SIGSTOP)
        assert row(folder, "SELECT attempts, state FROM test_sessions_logimport") == (2, "running")
        assert "Cancel the import" in visitor.ask(f"/sessions/logs/{log}/")[1]
    finally:
        server.kill()
        server.wait()
    # The whole machine goes down, and comes up when the claim has run out. First the workers, which notice within a
    # second that the server is gone: one that still waited for the process would begin it once more.
    time.sleep(4.0)
    os.kill(second, signal.SIGKILL)
    wait_for(lambda: None if importing(folder) else True)
    assert row(folder, "SELECT state, row_count FROM test_sessions_log WHERE name = 'long.csv'") == ("waiting", 0)
    row(folder, "UPDATE test_sessions_logimport SET claimed_until = '2026-01-01 00:00:00' RETURNING id")
    server, visitor = begin(folder)
    try:
        wait_for(lambda: done(visitor, log))
        assert row(folder, "SELECT count(*) FROM test_sessions_logimport") == (0,)
        state, rows, summary = row(
            folder, "SELECT state, row_count, summary FROM test_sessions_log WHERE name = 'long.csv'"
        )
        assert (state, rows) == ("read", ROWS)
        # By hand: 0.5 to 79.5 A by turns are 40 A in the mean, over 6,000 s less 10 ms.
        assert json.loads(summary)["facts"]["charge_ah"] == pytest.approx(40 * (ROWS - 1) / 100 / 3600, rel=1e-4)
        original, columns = row(folder, "SELECT original, columns FROM test_sessions_log WHERE name = 'long.csv'")
        assert hashlib.sha256((folder / "media" / original).read_bytes()).digest() == hashlib.sha256(content).digest()
        # Nothing half written is left behind.
        named = {original, columns}
        assert {f"logs/{file.name}" for file in (folder / "media/logs").iterdir() if str(log) in file.name} == named
        assert visitor.ask(f"/sessions/{session}/recordings/")[0] == 200
    finally:
        server.send_signal(signal.SIGTERM)
        server.wait(timeout=40)


CLAIM = """
from sessions.logs.import_jobs import claim_next
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
