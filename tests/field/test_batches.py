"""Many records of a phone in one request, each answered as if it had come alone."""

import errno
import json
import uuid

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from sessions.field import batches
from sessions.models import Reading

ADDRESS = "/api/v1/field/records/"


def reading(session, **values):
    body = {"session": str(session.pk), "time_into_session_s": 60.0, "voltage_v": 50.0, **values}
    return {"kind": "readings", "id": str(uuid.uuid4()), "method": "PUT", "if_none_match": "*", "body": body}


def send(client, records, **headers):
    return client.post(ADDRESS, json.dumps({"records": records}), content_type="application/json", **headers)


def test_each_record_has_its_own_answer_and_a_bad_one_holds_up_no_other(sign_in, session):
    records = [reading(session), reading(session, voltage_v=99999), reading(session)]
    answer = send(sign_in("recorder"), records)
    assert answer.status_code == 200
    rows = answer.json()["answers"]
    assert [row["id"] for row in rows] == [record["id"] for record in records]
    assert [row["status"] for row in rows] == [201, 400, 201]
    assert "at most 1500 V" in str(rows[1]["body"])
    assert Reading.objects.count() == 2
    # As the answer to a single record: with its version, and what is doubted about it.
    assert {"version", "doubts"} <= set(rows[0]["body"])
    assert Reading.objects.get(pk=records[0]["id"]).made_by.username


def test_doubts_are_asked_for_once_for_all_of_a_batch(sign_in, session):
    """They were read for each record: a batch of fifty took the longer, the more readings its session had."""
    client = sign_in("recorder")

    def queries_of(number):
        with CaptureQueriesContext(connection) as captured:
            answer = send(client, [reading(session, voltage_v=1400.0, time_into_session_s=n) for n in range(number)])
        assert all(row["body"]["doubts"] for row in answer.json()["answers"])
        return len(captured)

    few, many = queries_of(2), queries_of(12)
    # What storing one takes, its transaction and its line in the log of changes.
    assert (many - few) / 10 <= 12


def test_sent_again_it_is_stored_once_and_a_change_needs_its_version(sign_in, session):
    client, record = sign_in("recorder"), reading(session)
    version = send(client, [record]).json()["answers"][0]["body"]["version"]
    assert send(client, [record]).json()["answers"][0]["status"] == 200
    change = {"kind": "readings", "id": record["id"], "method": "PATCH", "body": {"voltage_v": 51.0}}
    assert send(client, [change]).json()["answers"][0]["status"] == 428
    assert send(client, [{**change, "if_match": f'"{version}"'}]).json()["answers"][0]["status"] == 200
    assert (
        send(client, [{**change, "if_match": f'"{version}"', "body": {"voltage_v": 52.0}}]).json()["answers"][0][
            "status"
        ]
        == 412
    )
    removal = {"kind": "readings", "id": record["id"], "method": "DELETE"}
    assert send(client, [removal]).json()["answers"][0]["status"] == 200
    assert not Reading.objects.exists()


def test_rights_are_those_of_each_record(sign_in, session):
    record = reading(session)
    assert send(sign_in("reader"), [record]).status_code == 403
    other = send(sign_in("recorder"), [record], HTTP_X_FIRNLOG_ACCOUNT="999")
    assert (other.status_code, other.json()["code"]) == (403, "other_account")
    assert not Reading.objects.exists()


def test_nobody_signed_in_stores_nothing(client, session):
    assert send(client, [reading(session)]).status_code in (401, 403)
    assert not Reading.objects.exists()


@pytest.mark.parametrize(
    "content",
    [
        [],
        {"records": 7},
        {"records": [7]},
        {"records": [{"kind": "accounts", "id": str(uuid.uuid4()), "method": "PUT", "body": {}}]},
        {"records": [{"kind": "readings", "id": "x", "method": "PUT", "body": {}}]},
        {"records": [{"kind": "readings", "id": str(uuid.uuid4()), "method": "POST", "body": {}}]},
        {"records": [{}] * (batches.MOST_AT_ONCE + 1)},
    ],
)
def test_what_is_no_list_of_records_is_refused_with_an_example(sign_in, content):
    answer = sign_in("recorder").post(ADDRESS, json.dumps(content), content_type="application/json")
    assert answer.status_code == 400
    assert "records" in answer.json()["detail"] or "records" in str(answer.json())


def test_a_record_at_which_the_server_fails_takes_no_other_with_it(sign_in, session, monkeypatch):
    bad = reading(session)

    def fail(self, *args, **kwargs):
        if str(self.pk) == bad["id"]:
            raise RuntimeError("The disk is on fire.")
        return save(self, *args, **kwargs)

    save = Reading.save
    monkeypatch.setattr(Reading, "save", fail)
    rows = send(sign_in("recorder"), [bad, reading(session)]).json()["answers"]
    assert [row["status"] for row in rows] == [500, 201]


def test_a_second_batch_is_asked_to_come_again_in_a_moment(sign_in, session):
    client, record = sign_in("recorder"), reading(session)
    with batches.at_work:
        answer = send(client, [record])
    assert answer.status_code == 503
    assert 1 <= int(answer["Retry-After"]) <= 3
    assert "in a moment" in answer.json()["detail"]
    assert not Reading.objects.exists()
    answer = send(client, [record])
    assert (answer.status_code, answer.json()["answers"][0]["status"]) == (200, 201)
    # By it the phone chooses how many it sends at once.
    assert answer.json()["took_s"] > 0


def test_the_address_of_batches_is_looked_up_once(rf, monkeypatch):
    looked_up = []
    monkeypatch.setattr(batches, "reverse", lambda name: looked_up.append(name) or f"/{name}/")
    passing = batches.OneBatchAtATime(lambda request: None)
    for _ in range(3):
        passing(rf.get("/sessions/"))
    assert looked_up == ["field_records"]


def test_a_batch_waits_for_the_disk_once_where_the_database_is_a_file(sign_in, session):
    """A database server takes each record by itself."""
    client = sign_in("recorder")
    with CaptureQueriesContext(connection) as captured:
        assert send(client, [reading(session), reading(session, voltage_v=99999), reading(session)]).status_code == 200
    written = [at for at, query in enumerate(captured) if query["sql"].startswith("INSERT")]
    points = [at for at, query in enumerate(captured) if query["sql"].startswith("SAVEPOINT")]
    assert len(written) == 2
    # The first is that of the whole batch: within the test's own transaction it is a savepoint, too.
    first = captured[points[0]]["sql"].split()[1]
    [end] = [at for at, query in enumerate(captured) if query["sql"] == f"RELEASE SAVEPOINT {first}"]
    assert (points[0] < written[0] < written[-1] < end) == (connection.vendor == "sqlite")


def test_where_the_disk_is_full_at_one_record_nothing_stays_that_was_not_stored_by_itself(
    sign_in, session, monkeypatch
):
    """SQLite may undo a whole transaction on a full disk, so what it said of the records before does not count."""
    full = reading(session)

    def save(self, *args, **kwargs):
        if str(self.pk) == full["id"]:
            raise OSError(errno.ENOSPC, "No space left on device")
        return saved(self, *args, **kwargs)

    saved = Reading.save
    monkeypatch.setattr(Reading, "save", save)
    rows = send(sign_in("recorder"), [reading(session), full, reading(session)]).json()["answers"]
    assert [row["status"] for row in rows] == [201, 500, 201]
    assert Reading.objects.count() == 2
