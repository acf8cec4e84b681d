"""How the installation stands: what other machines are told, the owner's page, and answers while it is in trouble."""

import errno
import sqlite3
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from django.db import DatabaseError, DataError, IntegrityError, OperationalError, connection
from django.test import Client
from psycopg.errors import DeadlockDetected

from buildlog.hosting import health
from buildlog.hosting.backups import retention, schedule
from buildlog.hosting.backups import status as backup_status
from buildlog.models import AccessEvent

NOW = datetime.now(UTC)


@pytest.fixture
def folder(settings, tmp_path):
    """A data folder whose backups are those of one test."""
    settings.DATA, settings.BACKUP_DIR = tmp_path, tmp_path / "backups"
    (tmp_path / "secret_key").write_text("x")
    return tmp_path


@pytest.fixture
def nearly_full(monkeypatch):
    usage = SimpleNamespace(total=32_000_000_000, used=31_900_000_000, free=100_000_000)
    monkeypatch.setattr(health.shutil, "disk_usage", lambda _: usage)


def test_anybody_is_told_whether_each_part_is_well_and_no_more(client, db, folder):
    answer = client.get("/health/")
    assert answer.status_code == 200
    assert answer.json() == {"status": "ok", "database": "ok", "disk": "ok", "backup": "ok"}
    assert answer["Cache-Control"] == "no-store"


@pytest.mark.parametrize("role", ["builder", "recorder", "reader"])
def test_who_is_no_owner_is_told_no_more(role, sign_in, folder):
    assert set(sign_in(role).get("/health/").json().values()) == {"ok"}


def test_the_owner_is_told_the_figures(sign_in, folder):
    data = sign_in("owner").get("/health/").json()
    assert data["database"]["engine"] == connection.display_name
    assert data["disk"]["free_bytes"] > 0
    assert data["backup"] == {
        "status": "ok", "trouble": "", "age_h": None, "every_h": 24, "size_bytes": 0,
        "is_encrypted": False, "restore_drill_age_d": None,
    }  # fmt: skip
    assert data["version"]


def test_a_part_may_be_asked_alone_and_an_unknown_one_is_refused(client, db, folder, nearly_full):
    assert client.get("/health/?of=database").json() == {"status": "ok", "database": "ok"}
    refused = client.get("/health/?of=coffee")
    assert (refused.status_code, refused.json()["detail"].partition(".")[0]) == (
        400, "of must name some of database, disk, backup",
    )  # fmt: skip


def test_a_part_that_is_asked_often_is_looked_at_once(client, db, folder, monkeypatch):
    looked = []
    monkeypatch.setitem(health.PARTS, "database", lambda: looked.append(1) or health.Finding("", {}))
    assert client.get("/health/?of=" + "database," * 1000).status_code == 200
    assert looked == [1]


def test_a_disk_that_is_nearly_full(client, sign_in, folder, nearly_full):
    answer = Client().get("/health/")
    assert (answer.status_code, answer.json()["disk"], answer.json()["database"]) == (503, "trouble", "ok")
    owner = sign_in("owner")
    assert owner.get("/health/").json()["disk"]["trouble"] == "Only 100 MB are free."
    assert "Only 100 MB are free." in owner.get("/upkeep/").content.decode()


def test_a_backup_that_is_too_old_or_failed(client, sign_in, folder):
    file = folder / "b.zip"
    file.write_bytes(b"x")
    backup_status.note_good(folder, file, 0, NOW - timedelta(hours=72))
    assert client.get("/health/").json()["backup"] == "trouble"
    owner = sign_in("owner")
    for page in ("/", "/upkeep/"):
        assert "The last backup is 3 days old." in owner.get(page).content.decode()
    backup_status.note_trouble(folder, "No space left on device.", NOW)
    assert "The last backup failed: No space left on device." in owner.get("/").content.decode()
    backup_status.note_good(folder, file, 0, NOW)
    assert "The last backup" not in owner.get("/").content.decode()
    assert client.get("/health/").status_code == 200


def test_a_place_that_cannot_be_looked_at_breaks_no_page(sign_in, folder, settings):
    settings.BACKUP_DIR = folder / ("x" * 300)  # asking for such a name is an error, and no answer
    (folder / "b.zip").write_bytes(b"x")
    backup_status.note_good(folder, folder / "b.zip", 0, NOW)
    note = folder / backup_status.NOTE
    note.write_text(note.read_text().replace("b.zip", "x" * 300))
    owner = sign_in("owner")
    for page in ("/", "/upkeep/"):
        assert "The last backup is gone, or may not be looked at" in owner.get(page).content.decode()
    assert owner.get("/health/").status_code == 503


def test_only_the_owner_is_warned_on_the_first_page(sign_in, folder):
    backup_status.note_trouble(folder, "No space left on device.", NOW)
    assert "backup" not in sign_in("builder").get("/").content.decode()


def test_a_database_that_cannot_be_written(client, db, folder, monkeypatch):
    class Broken:
        def __enter__(self):
            raise DatabaseError("attempt to write a readonly database")

        def __exit__(self, *_):
            return False

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(health.connection, "cursor", Broken)
        answer = client.get("/health/")
    assert (answer.status_code, answer.json()["database"]) == (503, "trouble")


def test_the_owner_s_page_makes_a_backup_and_says_what_became_of_it(sign_in, folder, monkeypatch):
    owner = sign_in("owner")

    def backup_that(became):
        monkeypatch.setattr(schedule, "back_up_now", became)
        return owner.post("/upkeep/", follow=True).content.decode()

    def good(_):
        file = folder / "backups" / "firnlog-2026-01-17T110000Z.zip"
        file.parent.mkdir(exist_ok=True)
        file.write_bytes(b"x" * 2048)
        backup_status.note_good(folder, file, 2, NOW)
        return ""

    def long(_):
        raise schedule.StillGoingOn

    shown = backup_that(good)
    assert "A backup was made." in shown
    assert "firnlog-2026-01-17T110000Z.zip" in shown
    assert "2 files that records refer to could not be found" in shown
    # By what became of this one: the note still tells of the last.
    assert "No backup was made. No space left on device." in backup_that(lambda _: "No space left on device.")
    assert "The backup is still being made." in backup_that(long)


def test_backups_of_another_log_in_the_same_folder_are_marked(sign_in, folder):
    (folder / "backups").mkdir()
    own = retention.free_name(folder / "backups", NOW)
    for path in (own, own.with_name("firnlog-2026-01-17T110000Z-of-00000000.zip")):
        path.write_bytes(b"x")
    page = sign_in("owner").get("/upkeep/").content.decode()
    assert page.count("of another log") == 1
    assert page.index("-of-00000000.zip") > page.index(own.name)


def test_a_backup_is_downloaded_by_the_owner_and_that_is_in_the_access_log(sign_in, backup_file):
    owner = sign_in("owner")
    path = f"/upkeep/backups/{backup_file.pk}/"
    assert path in owner.get("/upkeep/").content.decode()
    answer = owner.get(path)
    assert b"".join(answer.streaming_content) == b"sealed"
    assert answer["Content-Disposition"] == f'attachment; filename="{backup_file.pk}"'
    assert "no-store" in answer["Cache-Control"]
    event = AccessEvent.objects.get(kind="backup_taken")
    assert (event.account.username, event.detail) == ("owner", backup_file.pk)


@pytest.mark.parametrize("name", ["..%2Fsecret_key", "secret_key", "firnlog-2026-01-17T110000Z-of-00000001.zip", "%00"])
def test_nothing_but_a_backup_is_downloaded(name, sign_in, backup_file, settings):
    (settings.BACKUP_DIR / "secret_key").write_text("no backup")
    assert sign_in("owner").get(f"/upkeep/backups/{name}/").status_code == 404


def raised(error):
    def view(*_, **__):
        raise error

    return view


def sqlite_error(code):
    error = OperationalError("told by the test")
    error.__cause__ = sqlite3.OperationalError("told by the test")
    error.__cause__.sqlite_errorcode = code
    return error


def overtaken():
    error = OperationalError("told by the test")
    error.__cause__ = DeadlockDetected("told by the test")
    return error


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), 507, "The disk of the server is full"),
        (OSError(errno.EDQUOT, "Quota exceeded"), 507, "The disk of the server is full"),
        (sqlite_error(sqlite3.SQLITE_FULL), 507, "The disk of the server is full"),
        (sqlite_error(sqlite3.SQLITE_BUSY), 503, "The log is busy"),
        (sqlite_error(sqlite3.SQLITE_CORRUPT), 500, "went wrong"),
        (ValueError("a mistake of ours"), 500, "went wrong"),
        (DataError("told by the test"), 400, "cannot be read"),
        (IntegrityError("told by the test"), 409, "Load it again"),
        (overtaken(), 409, "Load it again"),
        (OperationalError("told by the test: connection refused"), 503, "does not answer"),
    ],
)
@pytest.mark.parametrize("path", ["/", "/api/v1/vehicles/"])
def test_what_broke_is_answered_in_a_sentence(path, error, status, words, sign_in, monkeypatch):
    owner = sign_in("owner")
    owner.raise_request_exception = False
    monkeypatch.setattr("sessions.bench.home_pages.machines_for", raised(error))
    monkeypatch.setattr("buildlog.machines.api.VehicleViewSet.list", raised(error))
    answer = owner.get(path)
    assert answer.status_code == status
    assert words in answer.content.decode()
    assert answer["Content-Type"].startswith("application/json" if "api" in path else "text/html")
    assert answer.headers.get("Retry-After") == ("30" if status == 503 else None)
    assert "told by the test" not in answer.content.decode()
    # Nothing was to be stored: it said "Not stored", and to send it again.
    for wrong in ("not stored", "send it again", "send this again"):
        assert wrong not in answer.content.decode().lower()
    is_busy_page = status == 503 and path == "/"
    assert answer.headers.get("Refresh") == ("30" if is_busy_page else None)
    if is_busy_page:
        assert "<h1>The log is busy</h1>" in answer.content.decode()
        assert "/health/ says which part does not answer" in answer.content.decode()


def test_a_form_that_the_busy_log_did_not_take_says_so(sign_in, monkeypatch):
    owner = sign_in("owner")
    owner.raise_request_exception = False
    monkeypatch.setattr("buildlog.machines.pages.VehicleForm.save", raised(sqlite_error(sqlite3.SQLITE_BUSY)))
    answer = owner.post("/vehicles/new/", {"name": "Frost"})
    assert (answer.status_code, answer.headers.get("Refresh")) == (503, None)
    assert "<h1>Not stored</h1>" in answer.content.decode()
    assert "Frost" in answer.content.decode()
