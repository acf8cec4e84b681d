"""What goes on while nothing can be written, and what is answered where somebody wants something stored.

`tests/faults` fills real disks; here the database refuses every write, as SQLite and PostgreSQL do on a full disk.
"""

import re
import sqlite3
from contextlib import closing

import pytest
from django.contrib.sessions.models import Session
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import OperationalError, connection
from django.test import Client

from buildlog.hosting import health
from buildlog.hosting.sqlite_fair_lock.base import keep_open
from buildlog.models import AccessEvent, DeviceToken, Vehicle
from buildlog.people import sign_in_life, sign_in_limits, sign_in_store
from buildlog.storage import full_disk

PASSWORD = "frost-and-chain-77"


class DiskFull(Exception):
    """What psycopg's error of this name is taken for."""


def of_sqlite(code):
    cause = sqlite3.OperationalError("as SQLite says it")
    cause.sqlite_errorcode = code
    return cause


CAUSES = {
    "sqlite is full": of_sqlite(sqlite3.SQLITE_FULL),
    "the server is full": DiskFull(),
    "may only be read": of_sqlite(sqlite3.SQLITE_READONLY),
}


class Refusing:
    """While it is on, the database takes nothing."""

    def __init__(self, cause):
        self.cause, self.is_on = cause, False

    def __call__(self, execute, sql, params, many, context):
        if self.is_on and sql.startswith(("INSERT", "UPDATE", "DELETE")):
            raise OperationalError("nothing can be written") from self.cause
        return execute(sql, params, many, context)


@pytest.fixture
def disk(request):
    refusing = Refusing(CAUSES[getattr(request, "param", "sqlite is full")])
    with connection.execute_wrapper(refusing):
        yield refusing


@pytest.fixture(autouse=True)
def counted_from_nothing():
    sign_in_limits._unwritten.clear()


def sign_in(client, password=PASSWORD):
    return client.post("/sign-in/", {"username": "ilo", "password": password})


def cookie(client, settings):
    return client.cookies[settings.SESSION_COOKIE_NAME].value


def seen_long_ago(client):
    session = client.session
    session[sign_in_life.SEEN] = 0
    session.save()


@pytest.mark.parametrize("disk", CAUSES, indirect=True)
def test_who_was_not_seen_for_days_can_read(ilo, client, disk):
    sign_in(client)
    seen_long_ago(client)
    disk.is_on = True
    assert [client.get(path).status_code for path in ("/", "/failures/", "/api/v1/field/greeting/")] == [200] * 3
    disk.is_on = False
    assert client.session[sign_in_life.SEEN] == 0
    client.get("/")
    assert client.session[sign_in_life.SEEN] > 0


def test_who_comes_while_others_write_for_long_can_read(ilo, client, disk):
    disk.cause = of_sqlite(sqlite3.SQLITE_BUSY)
    sign_in(client)
    seen_long_ago(client)
    disk.is_on = True
    assert client.get("/").status_code == 200


def test_a_message_that_could_not_be_taken_away_is_shown_again(ilo, client, disk):
    client.force_login(ilo)
    client.post("/account/", {"unit_system": "imperial", "form": "units"})
    disk.is_on = True
    assert ["Saved." in client.get("/account/").content.decode() for _ in range(2)] == [True, True]
    disk.is_on = False
    assert ["Saved." in client.get("/account/").content.decode() for _ in range(2)] == [True, False]


def test_a_session_that_was_ended_meanwhile_is_still_said(ilo, client):
    client.force_login(ilo)
    store = sign_in_store.SessionStore(client.session.session_key)
    store["x"] = 1
    Session.objects.all().delete()
    with pytest.raises(sign_in_store.UpdateError):
        store.save()


@pytest.mark.parametrize("disk", CAUSES, indirect=True)
def test_a_sign_in_is_kept_in_its_cookie_until_the_database_takes_it(ilo, client, settings, disk):
    disk.is_on = True
    answer = sign_in(client)
    assert (answer.status_code, answer["Location"]) == (302, "/")
    assert cookie(client, settings).startswith(sign_in_store.IN_COOKIE)
    assert client.get("/").status_code == 200
    disk.is_on = False
    assert (Session.objects.count(), AccessEvent.objects.count()) == (0, 0)
    client.post("/account/", {"unit_system": "imperial", "form": "units"})
    assert len(cookie(client, settings)) == 32
    assert client.get("/").status_code == 200
    assert Session.objects.count() == 1


def test_such_a_cookie_ends_as_any_other_sign_in(ilo, client, settings, disk, monkeypatch):
    disk.is_on = True
    sign_in(client)
    key = cookie(client, settings)
    disk.is_on = False

    def opens(value):
        guest = Client()
        guest.cookies[settings.SESSION_COOKIE_NAME] = value
        return guest.get("/").status_code == 200

    assert opens(key)
    assert not opens(key[:-1] + ("a" if key[-1] != "a" else "b"))
    assert not opens(sign_in_store.IN_COOKIE)
    with monkeypatch.context() as later:
        later.setattr(sign_in_store, "KEPT_FOR_S", -1)
        assert not opens(key)
    sign_in_life.end_all(ilo)
    assert not opens(key)


def test_wrong_passwords_have_a_limit_too(ilo, client, disk):
    disk.is_on = True
    assert [sign_in(client, "wrong").status_code for _ in range(6)] == [200] * 5 + [429]
    # For everybody, and with the right password as well: nothing tells one from another.
    answer = sign_in(Client())
    assert (answer.status_code, "Wait 15 minutes" in answer.content.decode()) == (429, True)
    disk.is_on = False
    assert sign_in(Client()).status_code == 302


def test_right_passwords_do_not_count(ilo, disk):
    disk.is_on = True
    assert [sign_in(Client()).status_code for _ in range(8)] == [302] * 8


def test_what_was_written_down_before_counts_on(ilo, client, disk):
    for _ in range(5):
        sign_in(client, "wrong")
    disk.is_on = True
    assert sign_in(client).status_code == 429


def test_a_browser_is_signed_out(ilo, client, disk):
    sign_in(client)
    disk.is_on = True
    assert client.post("/sign-out/").status_code == 302
    assert client.get("/").status_code == 302


def test_where_the_database_is_only_busy_nobody_is_signed_out_by_half(ilo, disk):
    client = Client(raise_request_exception=False)
    sign_in(client)
    disk.cause = of_sqlite(sqlite3.SQLITE_BUSY)
    disk.is_on = True
    assert client.post("/sign-out/").status_code == 503
    assert client.get("/").status_code == 200


def test_a_device_reads(vehicle, make_account, client, disk):
    account = make_account("builder")
    key = DeviceToken.issue(name="Logger", vehicle=vehicle, account=account, may_read=True)[1]
    disk.is_on = True
    assert client.get("/api/v1/readings/", headers={"authorization": f"Bearer {key}"}).status_code == 200


def test_a_shared_link_opens(share_link, revision, make_account, client, disk):
    from sessions.models import ShareLink

    token = ShareLink.issue(7, made_by=make_account("owner", "mara"), revision=revision)[1]
    disk.is_on = True
    assert client.get(f"/shared/{token}/").status_code == 200


# What somebody wants stored


def test_what_was_typed_stands_in_the_answer_and_is_sent_again_from_there(ilo, make_account, disk):
    client = Client(raise_request_exception=False, enforce_csrf_checks=True)
    client.force_login(make_account("builder"))
    token = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', client.get("/vehicles/new/").content.decode())[1]
    typed = {"name": "Frost <b>& Co</b>", "purpose": "First line\nSecond line"}
    disk.is_on = True
    answer = client.post("/vehicles/new/", {**typed, "csrfmiddlewaretoken": token})
    text = answer.content.decode()
    assert answer.status_code == 507
    assert "The disk of the server is full, so this was not stored." in text
    assert "<dd>First line<br>Second line</dd>" in text
    assert "<b>" not in text
    assert 'action="/vehicles/new/"' in text
    disk.is_on = False
    again = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', text)[1]
    names = re.findall(r'type="hidden" name="(\w+)"', text)
    assert {*names} == {"csrfmiddlewaretoken", *typed}
    assert client.post("/vehicles/new/", {**typed, "csrfmiddlewaretoken": again}).status_code == 302
    assert Vehicle.objects.get().purpose == typed["purpose"]


def test_a_password_and_what_is_no_form_of_ours_do_not_come_back(ilo, disk):
    client = Client(raise_request_exception=False)
    client.force_login(ilo)
    disk.is_on = True
    new = "a-much-longer-winter-88"
    typed = {"old_password": PASSWORD, "new_password1": new, "new_password2": new, "form": "password"}
    answer = client.post("/account/", typed)
    assert answer.status_code == 507
    assert new not in answer.content.decode()
    assert PASSWORD not in answer.content.decode()


def test_files_are_named_that_have_to_be_chosen_again(sign_in, vehicle, disk):
    client = sign_in("builder")
    client.raise_request_exception = False
    disk.is_on = True
    file = SimpleUploadedFile("voltages.csv", b"t,volts\n0,52\n")
    answer = client.post("/vehicles/new/", {"name": "x", "purpose": "y", "photo": file})
    assert answer.status_code == 507
    assert "Choose the file again: voltages.csv" in answer.content.decode()
    assert b"<button>" not in answer.content


# How it is known, and the room kept for it


def test_other_trouble_is_not_taken_for_a_full_disk(ilo, client, disk):
    disk.cause = of_sqlite(sqlite3.SQLITE_CORRUPT)
    disk.is_on = True
    with pytest.raises(OperationalError):
        sign_in(client)
    with pytest.raises(OperationalError), full_disk.skip_when_full("this"):
        Vehicle.objects.create(name="x")


@pytest.mark.parametrize("code", [sqlite3.SQLITE_IOERR_SHMSIZE, sqlite3.SQLITE_CANTOPEN])
def test_a_database_that_cannot_be_opened_is_a_full_disk_only_where_it_is_full(code, monkeypatch):
    error = of_sqlite(code)
    assert not full_disk.is_full(error)
    monkeypatch.setattr(full_disk, "_free_bytes", lambda _: 4096)
    assert full_disk.is_full(error)


def test_python_s_own_words_for_no_room_for_an_upload():
    assert full_disk.is_full(FileNotFoundError(2, "No usable temporary directory found in ['/tmp']"))
    assert not full_disk.is_full(FileNotFoundError(2, "No such file or directory"))


def test_health_says_that_the_database_cannot_be_written(db, monkeypatch):
    assert health.database().trouble == ""
    monkeypatch.setattr(full_disk, "_free_bytes", lambda _: 4096)
    # A server's disk is another one, and the server itself says so.
    on_file = connection.vendor == "sqlite"
    assert health.database().trouble == ("The database cannot be written: the disk is full." if on_file else "")


def test_a_little_room_is_kept_and_used_when_there_is_no_other(tmp_path, monkeypatch):
    reserve = tmp_path / full_disk.RESERVE
    assert not full_disk.release_reserved_space(tmp_path)
    full_disk.reserve_disk_space(tmp_path)
    blocks = reserve.stat().st_blocks * 512
    assert (reserve.stat().st_size, blocks >= full_disk.RESERVE_BYTES) == (full_disk.RESERVE_BYTES, True)
    assert not full_disk.release_reserved_space(tmp_path)
    monkeypatch.setattr(full_disk, "_free_bytes", lambda _: 4096)
    assert full_disk.release_reserved_space(tmp_path)
    full_disk.reserve_disk_space(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_while_a_server_runs_the_files_beside_the_database_stay(tmp_path):
    path = tmp_path / "some.sqlite3"
    with closing(sqlite3.connect(path)) as held:
        held.execute("PRAGMA journal_mode=WAL")
        held.execute("CREATE TABLE things (x)")
    assert [each.name for each in tmp_path.iterdir()] == ["some.sqlite3"]
    keep_open(path)
    with closing(sqlite3.connect(path)) as held, held:
        held.execute("INSERT INTO things VALUES (1)")
    assert {each.name for each in tmp_path.iterdir()} == {path.name, f"{path.name}-wal", f"{path.name}-shm"}
