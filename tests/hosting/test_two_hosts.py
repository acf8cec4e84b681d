"""Two servers with folders of their own, one PostgreSQL database and one S3 store: together they are one log."""

import collections
import contextlib
import io
import json
import sys
import uuid
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psycopg
import pytest
from PIL import Image

from tests.data_folders import lay_static_files
from tests.hosting.test_several_workers import PASSWORD, Visitor
from tests.processes import LONGEST_WAIT_S, Process
from tests.servers import free_port, surroundings

pytestmark = pytest.mark.own_database

PROJECT = Path(__file__).resolve().parents[2]
SHARED_KEY = "a key that every host of one installation is given alike 4711"
OWNER = f"""
from buildlog.models import Account
Account.objects.create_user("mara", password="{PASSWORD}", role="owner")
"""


class Host:
    """One `manage.py serve` with two workers, as a machine of its own would run it."""

    def __init__(self, folder, values):
        self.environment = {**surroundings(folder), **values, "PYTHONUNBUFFERED": "1"}
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        self.process = None

    def start(self):
        self.process = self.run("serve", "--port", str(self.port), "--workers", "2")
        return self

    def run(self, *command):
        return Process([sys.executable, "manage.py", *command], cwd=PROJECT, env=self.environment)

    def ready(self):
        self.process.wait_for_answer(self.address + "/sign-in/")
        return self

    def stop(self):
        self.process.stop()


@pytest.fixture(scope="module")
def database(postgresql):
    return postgresql.make_database("two_hosts")


@pytest.fixture(scope="module")
def hosts(database, object_store, tmp_path_factory, collected):
    values = {"DATABASE_URL": database, "BUILDLOG_SECRET_KEY": SHARED_KEY, **object_store.environment}
    folders = [tmp_path_factory.mktemp("host") / "data" for _ in range(2)]
    for folder in folders:
        lay_static_files(collected, folder)
    made = [Host(folder, values) for folder in folders]
    with contextlib.ExitStack() as running:
        # Both find an empty database at one moment, and both want to fill it.
        for host in made:
            running.enter_context(host.start().process)
        for host in made:
            host.ready()
        filled = made[0].run("shell", "--verbosity=0", "-c", OWNER)
        output = filled.end()
        assert filled.returncode == 0, output
        yield made
        for host in made:
            host.stop()


@pytest.fixture(scope="module")
def visitors(hosts):
    """One person: signed in on the first host, and going on with the same cookies on the second."""
    first, second = (Visitor(host.address) for host in hosts)
    assert first.send("/sign-in/", username="mara", password=PASSWORD)[0] == 302
    # To a browser both are one name, behind one proxy: cookies do not tell ports apart.
    second.jar = first.jar
    second.opener = first.opener
    return first, second


@pytest.fixture(scope="module")
def outing(visitors):
    """A session to log to, each record of it stored by the other host than the one before."""
    keys = {kind: str(uuid.uuid4()) for kind in ("vehicles", "revisions", "venues", "sessions", "gates")}
    rows = {
        "vehicles": {"name": "Sled"},
        "revisions": {"vehicle": keys["vehicles"], "number": 1, "date": "2026-01-10"},
        "venues": {"name": "Lake"},
        "sessions": {"revision": keys["revisions"], "venue": keys["venues"], "started_at": "2026-01-17T11:00:00Z"},
        "gates": {"venue": keys["venues"], "name": "Straight", "marks": [{"position_m": 0}, {"position_m": 100}]},
    }
    for number, (kind, values) in enumerate(rows.items()):
        code, text = visitors[number % 2].put(f"/api/v1/{kind}/{keys[kind]}/", values)
        assert code == 201, text
    return keys


def test_who_signed_in_on_one_is_signed_in_on_the_other_and_out_on_both(visitors, hosts):
    first, second = visitors
    assert [item.ask("/people/")[0] for item in (first, second)] == [200, 200]
    guest, guest_there = (Visitor(host.address) for host in hosts)
    assert guest.send("/sign-in/", username="mara", password=PASSWORD)[0] == 302
    guest_there.jar, guest_there.opener = guest.jar, guest.opener
    assert guest_there.ask("/people/")[0] == 200
    assert guest_there.send("/sign-out/")[0] in (200, 302)
    assert guest.ask("/people/")[0] == 302


def test_what_one_stores_the_other_shows(visitors, outing):
    code, page = visitors[1].ask(f"/sessions/{outing['sessions']}/")
    assert code == 200
    assert "Lake" in page


def test_a_photo_sent_to_one_is_served_by_the_other(visitors, outing, hosts, object_store):
    first, second = visitors
    picture = io.BytesIO()
    Image.new("RGB", (640, 480), (30, 90, 200)).save(picture, "JPEG")
    boundary, key = "a-boundary-4711", str(uuid.uuid4())
    rows = (
        f'--{boundary}\r\nContent-Disposition: form-data; name="session"\r\n\r\n{outing["sessions"]}\r\n'
        f'--{boundary}\r\nContent-Disposition: form-data; name="image"; filename="a.jpg"\r\n'
        "Content-Type: image/jpeg\r\n\r\n"
    ).encode() + picture.getvalue() + f"\r\n--{boundary}--\r\n".encode()  # fmt: skip
    headers = {"Content-Type": f"multipart/form-data; boundary={boundary}", "X-CSRFToken": first.token}
    # The same photo to both at one moment: one record, its two files, and nothing left over.
    with ThreadPoolExecutor(8) as senders:
        answers = list(senders.map(
            lambda item: item.ask(f"/api/v1/photos/{key}/", rows, "PUT", **headers), [first, second] * 4
        ))  # fmt: skip
    assert sorted(code for code, _ in answers) == [200] * 7 + [201], answers
    assert len([name for name in object_store.names() if key in name]) == 2
    request_there = second.opener.open(f"{second.address}/photos/{key}/image/", timeout=LONGEST_WAIT_S)
    assert Image.open(io.BytesIO(request_there.read())).size == (640, 480)
    # Neither host has it on its own disk.
    assert not [entry for host in hosts for entry in Path(host.environment["BUILDLOG_DATA_DIR"]).rglob(f"*{key}*")]


def test_the_same_puts_to_both_make_one_record_each(visitors, outing, database):
    """50 records, each sent 8 times, turn about to both hosts by 16 senders at once."""
    rows = {
        f"/api/v1/readings/{uuid.uuid4()}/": {"session": outing["sessions"], "time_into_session_s": n, "voltage_v": 50}
        for n in range(50)
    }
    work = [(visitors[turn % 2], path, row) for path, row in rows.items() for turn in range(8)]
    with ThreadPoolExecutor(16) as senders:
        answers = list(senders.map(lambda item: item[0].put(item[1], item[2], **{"If-None-Match": "*"}), work))
    codes = collections.Counter(code for code, _ in answers)
    assert codes == {201: 50, 200: 350}
    with psycopg.connect(database) as connection:
        assert connection.execute("SELECT count(*) FROM test_sessions_reading").fetchone() == (50,)
    print(f"400 PUTs of 50 records to two hosts: {dict(codes)}")


def test_passes_numbered_on_both_at_once_have_each_a_number(visitors, outing):
    values = {"session": outing["sessions"], "gate": outing["gates"], "duration_s": 7.3}
    work = [(visitors[n % 2], f"/api/v1/passes/{uuid.uuid4()}/") for n in range(40)]
    with ThreadPoolExecutor(16) as senders:
        answers = list(senders.map(lambda item: item[0].put(item[1], values), work))
    assert {code for code, _ in answers} == {201}
    rows = json.loads(visitors[0].ask(f"/api/v1/passes/?session={outing['sessions']}")[1])["results"]
    assert sorted(row["number"] for row in rows) == list(range(1, 41))


def test_changes_that_get_in_each_others_way_are_answered_kindly(visitors, outing):
    """Modifications that answer the same failures in other orders move the same rows: databases stop one of two."""
    failures = [str(uuid.uuid4()) for _ in range(6)]
    for key in failures:
        values = {"revision": outing["revisions"], "mode_name": "chain came off", "severity": 3}
        code, text = visitors[0].put(f"/api/v1/failures/{key}/", values)
        assert code == 201, text
    work = []
    for n in range(40):
        order = failures[n % 6 :] + failures[: n % 6]
        values = {"revision": outing["revisions"], "title": f"Change {n}", "answers": order[:: 1 if n % 2 else -1]}
        work.append((visitors[n % 2], f"/api/v1/modifications/{uuid.uuid4()}/", values))
    with ThreadPoolExecutor(16) as senders:
        answers = list(senders.map(lambda item: item[0].put(*item[1:]), work))
    codes = collections.Counter(code for code, _ in answers)
    assert codes == {201: 40}, [sentence for code, sentence in answers if code != 201][:2]


def test_nothing_that_matters_is_on_either_disk(hosts):
    """Each host may lose its folder: what it keeps there is made anew at the next start."""
    for host in hosts:
        kept = {item.name for item in Path(host.environment["BUILDLOG_DATA_DIR"]).iterdir()}
        assert [item for item in kept if item.startswith("static-")]
        assert not kept & {"buildlog.sqlite3", "media", "secret_key"}
