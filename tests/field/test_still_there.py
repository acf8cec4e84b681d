"""Which records of a phone are still here, gone, removed, or back."""

import json

import pytest

from buildlog.models import Removal
from buildlog.records.trash import restore

STILL_THERE = "/api/v1/field/still-there/"


def ask_what_is_there(client, **keys):
    answer = client.post(STILL_THERE, json.dumps(keys), content_type="application/json")
    assert answer.status_code == 200
    return answer.json()


def test_a_phone_learns_which_of_its_records_are_gone_and_which_were_removed(sign_in, session, timed_pass, reading):
    client = sign_in("builder")
    never = "00000000-0000-4000-8000-000000000001"
    keys = {"sessions": [str(session.pk)], "passes": [str(timed_pass.pk)], "readings": [str(reading.pk), never]}
    data = ask_what_is_there(client, **keys)
    for kind, record in (("sessions", session), ("passes", timed_pass), ("readings", reading)):
        assert data["versions"][str(record.pk)] == client.get(f"/api/v1/{kind}/{record.pk}/").json()["version"]
    assert (data["missing"], data["removed"]) == ([never], [])
    # With a session go its passes and readings: each of them was removed on purpose.
    assert client.post(f"/sessions/{session.pk}/remove/").status_code == 302
    data = ask_what_is_there(client, **keys)
    assert data["versions"] == {}
    assert set(data["missing"]) - set(data["removed"]) == {never}
    # What went without a removal, as when an older backup is put back, is only missing.
    gate = timed_pass.gate
    type(gate).objects.filter(pk=gate.pk).delete()
    assert ask_what_is_there(client, gates=[str(gate.pk)]) == {
        "versions": {}, "missing": [str(gate.pk)], "removed": [], "returned": [],
    }  # fmt: skip


def test_a_phone_learns_what_came_back_after_its_deletion_and_what_was_restored(sign_in, reading):
    client, address = sign_in("builder"), f"/api/v1/readings/{reading.pk}/"
    content = {name: value for name, value in client.get(address).json().items() if name not in ("version", "doubts")}
    assert client.delete(address).status_code == 200
    assert ask_what_is_there(client, readings=[str(reading.pk)])["removed"] == [str(reading.pk)]
    # A request that comes late stores it again, and it is still noted as removed.
    answer = client.put(address, json.dumps(content), content_type="application/json", headers={"If-None-Match": "*"})
    assert answer.status_code == 201
    there = ask_what_is_there(client, readings=[str(reading.pk)])
    assert (there["removed"], there["returned"]) == ([], [str(reading.pk)])
    # What is restored at the desk is not.
    assert client.delete(address).status_code == 200
    restore(Removal.objects.filter(key=str(reading.pk)).latest("pk"))
    there = ask_what_is_there(client, readings=[str(reading.pk)])
    assert (list(there["versions"]), there["returned"]) == ([str(reading.pk)], [])


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ([], "Send keys by kind"),
        ({"passes": "all"}, "Send keys by kind"),
        ({"accounts": []}, "no kind of record 'accounts'"),
        ({"passes": ["1"]}, "not a UUID"),
        ({"passes": ["00000000-0000-4000-8000-000000000001"] * 501}, "At most 500"),
    ],
)
def test_a_question_that_cannot_be_answered_is_refused_in_a_sentence(sign_in, body, words):
    answer = sign_in("reader").post(STILL_THERE, json.dumps(body), content_type="application/json")
    assert answer.status_code == 400
    assert words in answer.json()["detail"]


def test_the_greeting_tells_the_version_of_the_record_a_phone_names(sign_in, session):
    client = sign_in("recorder")
    version = client.get(f"/api/v1/sessions/{session.pk}/").json()["version"]
    for path in ("/api/v1/field/greeting/", "/api/v1/field/"):
        assert "newest" not in client.get(path).json()
        assert client.get(f"{path}?newest=sessions/{session.pk}").json()["newest"] == version
        assert client.get(f"{path}?newest=passes/{session.pk}").json()["newest"] is None
    assert client.get("/api/v1/field/greeting/?newest=passes/x").status_code == 400
