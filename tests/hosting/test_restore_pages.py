"""Restoring in the browser: by the owner over what is there, and at the first start of an empty log."""

import os
import re
import sqlite3
import sys
import urllib.error
import urllib.request
from contextlib import closing
from datetime import UTC, datetime

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from buildlog.hosting.backups import asked_restore, encryption, making
from buildlog.models import Account, Invitation
from tests.data_folders import PROJECT, content, environment, lay_static_files, rows
from tests.processes import LONGEST_WAIT_S, Process, wait_until
from tests.servers import free_port

NOW = datetime(2026, 1, 17, 11, 0, tzinfo=UTC)
PASSWORD = "frost-and-chain-77"


@pytest.fixture
def served(data, settings, monkeypatch):
    """As under `serve`; its end is only counted."""
    ended = []
    settings.SERVER_PID = os.getpid()
    monkeypatch.setattr(asked_restore, "end_the_server", lambda: ended.append(1))
    return ended


@pytest.fixture
def owner(db, client):
    account = Account.objects.create_user("mara", password=PASSWORD, role="owner")
    client.force_login(account)
    return client


def test_one_that_is_here_is_checked_and_asked_for(owner, data, served):
    made = making.make_backup(data, now=NOW).path
    assert made.name in owner.get("/upkeep/restore/").content.decode()
    answer = owner.post("/upkeep/restore/", {"stored": made.name, "password": PASSWORD})
    assert answer.status_code == 200
    assert "The server has stopped" in answer.content.decode()
    assert asked_restore.is_asked(data)
    wait_until(lambda: served == [1], "the end of the server, asked for")
    before = rows(data / "buildlog.sqlite3")
    outcome = asked_restore.carry_out(data)
    assert outcome.is_restored
    assert rows(data / "buildlog.sqlite3") == before
    assert not asked_restore.is_asked(data)
    assert not list(data.glob(".restore-asked*"))
    assert f"{made.name} was restored" in owner.get("/upkeep/").content.decode()


def test_an_encrypted_file_from_elsewhere_needs_its_key(owner, data, served, settings):
    secret, settings.BACKUP_PUBLIC_KEY = encryption.new_key()
    made = making.make_backup(data, now=NOW).path
    (data / encryption.OWN_KEY).unlink()  # as on another machine
    sent = {"password": PASSWORD}

    def post(**more):
        file = SimpleUploadedFile(made.name, made.read_bytes(), "application/octet-stream")
        return owner.post("/upkeep/restore/", {**sent, "file": file, **more})

    answer = post()
    assert answer.status_code == 422
    assert "The backup is encrypted. Give the secret key" in answer.content.decode()
    answer = post(secret_key=encryption.new_key()[0])
    assert "This key does not open the backup" in answer.content.decode()
    assert not asked_restore.is_asked(data)
    assert post(secret_key=secret).status_code == 200
    assert asked_restore.carry_out(data).is_restored


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"password": "wrong-and-long-enough"}, "This is not your password"),
        ({"password": PASSWORD}, "Choose a backup to restore"),
        ({"password": PASSWORD, "stored": "../secret_key"}, "is not one of the available choices"),
        ({"password": PASSWORD, "file": b"PK nonsense"}, "This is not a backup"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_asked_for(owner, data, served, fields, words):
    if "file" in fields:
        fields = {**fields, "file": SimpleUploadedFile("x.zip", fields["file"])}
    before = content(data)
    answer = owner.post("/upkeep/restore/", fields)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert content(data) == before
    assert not served


def test_guesses_at_the_password_have_the_limits_of_signing_in(owner, data, served):
    codes = [owner.post("/upkeep/restore/", {"password": f"guess-number-{n}-is-wrong"}).status_code for n in range(7)]
    assert codes[-1] == 429


def test_one_that_fails_at_the_start_leaves_all_as_it_was_and_is_said(owner, data, served):
    made = making.make_backup(data, now=NOW).path
    owner.post("/upkeep/restore/", {"stored": made.name, "password": PASSWORD})
    (asked,) = data.glob(".restore-asked-*.zip")
    asked.unlink()
    before = rows(data / "buildlog.sqlite3")
    outcome = asked_restore.carry_out(data)
    assert not outcome.is_restored
    assert rows(data / "buildlog.sqlite3") == before
    assert asked_restore.carry_out(data) is None, "tried once only"
    assert "was not restored" in owner.get("/upkeep/").content.decode()


def test_without_serve_the_command_is_named(owner, data):
    page = owner.get("/upkeep/restore/").content.decode()
    assert "manage.py restore FILE" in page
    assert '<form method="post" enctype' not in page


def test_an_empty_log_offers_it_and_one_with_people_does_not(client, db, served):
    token = Invitation.issue("owner")
    assert f"/invitation/{token}/backup/" in client.get(f"/invitation/{token}/").content.decode()
    assert client.get(f"/invitation/{token}/backup/").status_code == 200
    reader = Invitation.issue("reader")
    assert "/backup/" not in client.get(f"/invitation/{reader}/").content.decode()
    assert client.get(f"/invitation/{reader}/backup/").status_code == 410
    Account.objects.create_user("mara", password=PASSWORD, role="owner")
    assert "/backup/" not in client.get(f"/invitation/{token}/").content.decode()
    assert client.get(f"/invitation/{token}/backup/").url == "/sign-in/"


def test_a_stranger_without_the_link_may_not_send_a_large_file(client, db, served):
    large = SimpleUploadedFile("x.zip", b"x" * 1_200_000)
    assert client.post("/invitation/made-up/backup/", {"file": large}).status_code == 413
    token = Invitation.issue("owner")
    large.seek(0)
    assert client.post(f"/invitation/{token}/backup/", {"file": large}).status_code == 422


def get(url):
    try:
        with urllib.request.urlopen(url, timeout=LONGEST_WAIT_S) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, ""
    except OSError:
        return 0, ""


@pytest.mark.own_database
def test_a_fresh_machine_begins_with_a_backup_of_another(data, collected, tmp_path):
    """The whole way as a person goes it: an empty log is started, its link opened, the file sent, and it serves."""
    made, before = making.make_backup(data, now=NOW).path, rows(data / "buildlog.sqlite3", None)
    fresh, port = tmp_path / "fresh", free_port()
    lay_static_files(collected, fresh)
    command = [sys.executable, "manage.py", "serve", "--port", str(port), "--workers", "1"]
    with Process(command, cwd=PROJECT, env=environment(fresh)) as server:
        base = f"http://127.0.0.1:{port}"
        server.wait_for_answer(f"{base}/health/?of=database")
        link = re.search(r"http://\S+/invitation/\S+/", server.output)[0]
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        page = opener.open(f"{link}backup/", timeout=LONGEST_WAIT_S).read().decode()
        token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)[1]
        parts = [
            b'--edge\r\nContent-Disposition: form-data; name="csrfmiddlewaretoken"\r\n\r\n' + token.encode(),
            b'--edge\r\nContent-Disposition: form-data; name="file"; filename="firnlog.zip"\r\n'
            b"Content-Type: application/zip\r\n\r\n" + made.read_bytes(),
            b"--edge--\r\n",
        ]
        body, kind = b"\r\n".join(parts), {"Content-Type": "multipart/form-data; boundary=edge"}
        sent = urllib.request.Request(f"{link}backup/", body, kind)
        answer = opener.open(sent, timeout=LONGEST_WAIT_S).read().decode()
        assert "The server has stopped" in answer
        wait_until(lambda: "was restored" in server.output, "that it was restored", server)
        wait_until(lambda: get(f"{base}/sign-in/")[0] == 200, "the sign-in page", server)
        assert server.poll() is None, "the same process goes on"
        server.stop()
    after = rows(fresh / "buildlog.sqlite3", None)
    differs = {table for table in before if before[table] != after.get(table)}
    assert differs <= {"buildlog_accessevent"}, "only that it was restored is new"
    assert content(fresh / "media") == content(data / "media")
    with closing(sqlite3.connect(fresh / "buildlog.sqlite3")) as connection:
        kinds = connection.execute("SELECT kind FROM buildlog_accessevent ORDER BY id DESC LIMIT 1").fetchall()
    assert kinds == [("backup_restored",)]
