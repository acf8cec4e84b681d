"""Create-or-replace by key: once however often, and never over somebody else's change."""

import json
import uuid

import pytest

from sessions.models import Gate, Reading, Venue


def put(client, path, data, **headers):
    return client.put(path, json.dumps(data), content_type="application/json", headers=headers)


@pytest.fixture
def path():
    return f"/api/v1/venues/{uuid.uuid4()}/"


def test_the_same_payload_twice_is_one_row_and_the_same_answer(sign_in, path):
    client = sign_in("recorder")
    first = put(client, path, {"name": "North bay"}, **{"If-None-Match": "*"})
    second = put(client, path, {"name": "North bay"}, **{"If-None-Match": "*"})
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.json() == second.json()
    assert first.headers["ETag"] == second.headers["ETag"] == client.get(path).headers["ETag"]
    assert Venue.objects.count() == 1


def test_a_new_record_over_a_different_one_hands_back_both(sign_in, path):
    client = sign_in("recorder")
    put(client, path, {"name": "North bay"})
    answer = put(client, path, {"name": "South bay"}, **{"If-None-Match": "*"})
    assert answer.status_code == 412
    told = answer.json()
    assert (told["stored"]["name"], told["sent"]["name"]) == ("North bay", "South bay")
    assert told["stored_version"] == client.get(path).headers["ETag"]
    assert Venue.objects.get().name == "North bay"


def test_a_change_of_the_version_one_knows_is_taken(sign_in, path):
    client = sign_in("recorder")
    known = put(client, path, {"name": "North bay"}).headers["ETag"]
    assert put(client, path, {"name": "Far bay"}, **{"If-Match": known}).status_code == 200
    # The same change again, as after a lost reply: the version is old, but nothing would change.
    assert put(client, path, {"name": "Far bay"}, **{"If-Match": known}).status_code == 200
    answer = put(client, path, {"name": "Near bay"}, **{"If-Match": known})
    assert answer.status_code == 412
    assert Venue.objects.get().name == "Far bay"
    assert put(client, path, {"name": "Near bay"}, **{"If-Match": answer.json()["stored_version"]}).status_code == 200


def test_a_record_removed_elsewhere_is_not_made_anew_by_a_change(sign_in, path):
    client = sign_in("recorder")
    known = put(client, path, {"name": "North bay"}).headers["ETag"]
    assert client.delete(path).json()["removed"] is True
    answer = put(client, path, {"name": "Far bay"}, **{"If-Match": known})
    assert answer.status_code == 412
    assert answer.json()["stored"] is None
    assert not Venue.objects.exists()


def test_a_removal_of_an_old_version_is_not_done(sign_in, path):
    client = sign_in("recorder")
    known = put(client, path, {"name": "North bay"}).headers["ETag"]
    put(client, path, {"name": "Far bay"})
    answer = client.delete(path, headers={"If-Match": known})
    assert answer.status_code == 412
    assert answer.json()["stored"]["name"] == "Far bay"
    assert client.delete(path, headers={"If-Match": answer.json()["stored_version"]}).status_code == 200
    assert not Venue.objects.exists()


def test_without_a_precondition_the_newest_stands(sign_in, path):
    client = sign_in("recorder")
    put(client, path, {"name": "North bay"})
    assert put(client, path, {"name": "Far bay"}).status_code == 200
    assert Venue.objects.get().name == "Far bay"


def test_fields_that_are_not_sent_keep_what_they_have(sign_in, path):
    """A page of the version before does not know the newest fields, and must not empty them."""
    client = sign_in("recorder")
    put(client, path, {"name": "North bay", "notes": "Deep on the east side"})
    put(client, path, {"name": "Far bay"})
    assert Venue.objects.get().notes == "Deep on the east side"


def test_nested_rows_belong_to_the_version(sign_in, venue):
    client = sign_in("recorder")
    path = f"/api/v1/gates/{uuid.uuid4()}/"
    gate = {"venue": str(venue.pk), "name": "G", "marks": [{"position_m": 0}, {"position_m": 100}]}
    known = put(client, path, gate, **{"If-None-Match": "*"}).headers["ETag"]
    moved = {**gate, "marks": [{"position_m": 0}, {"position_m": 110}]}
    assert put(client, path, moved, **{"If-None-Match": "*"}).status_code == 412
    assert Gate.objects.get().length_m == 100.0
    assert put(client, path, moved, **{"If-Match": known}).status_code == 200
    assert Gate.objects.get().length_m == 110.0


def test_what_another_account_wrote_is_not_taken(sign_in, make_account, session):
    other = make_account("recorder", "mara")
    client = sign_in("builder")
    path = f"/api/v1/readings/{uuid.uuid4()}/"
    row = {"session": str(session.pk), "time_into_session_s": 5, "voltage_v": 50}
    answer = put(client, path, row, **{"X-Firnlog-Account": str(other.pk)})
    assert answer.status_code == 403
    assert answer.json()["code"] == "other_account"
    assert not Reading.objects.exists()


def test_a_thousand_replays_make_one_row(sign_in, session):
    client = sign_in("recorder")
    path = f"/api/v1/readings/{uuid.uuid4()}/"
    row = {"session": str(session.pk), "time_into_session_s": 5, "voltage_v": 50}
    codes = {put(client, path, row, **{"If-None-Match": "*"}).status_code for _ in range(1000)}
    assert codes == {200, 201}
    assert Reading.objects.count() == 1
