"""Devices that push: one right, one machine, each reading once; and the documented client as it stands."""

import json
import os
import subprocess
import sys
import uuid
from datetime import timedelta

import pytest
from django.utils import timezone

from buildlog.models import DeviceToken, Vehicle
from sessions.models import Reading, Session
from tests.documents import block
from tests.processes import LONGEST_WAIT_S

READINGS = "/api/v1/readings/"


@pytest.fixture
def going(revision, venue):
    return Session.objects.create(revision=revision, venue=venue, started_at=timezone.now() - timedelta(minutes=10))


@pytest.fixture
def device(vehicle, make_account):
    return DeviceToken.issue(name="Logger", vehicle=vehicle, account=make_account("builder", "logger-owner"))


def push(client, key, body, path=READINGS, method="post"):
    return getattr(client, method)(
        path, json.dumps(body), content_type="application/json", headers={"Authorization": f"Bearer {key}"}
    )


def now(**ago):
    return (timezone.now() - timedelta(**ago)).isoformat()


def test_a_reading_finds_the_session_that_is_going_and_is_stored_once(client, device, going):
    row = {"at": (going.started_at + timedelta(minutes=5)).isoformat(), "voltage_v": "52,4 V"}
    first, second = push(client, device[1], row), push(client, device[1], row)
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.json()["id"] == second.json()["id"]
    reading = Reading.objects.get()
    assert (reading.session, reading.time_into_session_s, reading.voltage_v) == (going, 300.0, 52.4)


def test_a_batch_says_what_became_of_each(client, device, going):
    rows = [
        {"at": now(minutes=2), "voltage_v": 50},
        {"at": now(minutes=1), "voltage_v": 99999},
        {"at": now(hours=30), "voltage_v": 50},
        {"at": "noon", "voltage_v": 50},
        {"session": str(uuid.uuid4()), "time_into_session_s": 5, "voltage_v": 50},
        7,
        {"session": str(going.pk), "time_into_session_s": 5, "voltage_v": 51},
    ]
    answer = push(client, device[1], rows)
    assert answer.status_code == 200
    outcomes = answer.json()
    assert [item["outcome"] for item in outcomes] == [
        "stored",
        "refused",
        "refused",
        "refused",
        "refused",
        "refused",
        "stored",
    ]
    assert "at most 1500 V" in str(outcomes[1]["errors"])
    assert "No session" in str(outcomes[2]["errors"])
    assert "offset" in str(outcomes[3]["errors"])
    assert Reading.objects.count() == 2
    again = push(client, device[1], rows).json()
    assert [again[0]["outcome"], again[6]["outcome"]] == ["was there", "was there"]
    assert Reading.objects.count() == 2


def test_a_reading_that_was_changed_since_is_not_overwritten(client, device, going):
    row = {"session": str(going.pk), "time_into_session_s": 5, "voltage_v": 51}
    push(client, device[1], row)
    Reading.objects.update(voltage_v=50.0)
    assert push(client, device[1], [row]).json()[0]["outcome"] == "differs"
    assert Reading.objects.get().voltage_v == 50.0


def test_too_many_at_once_are_refused(client, device, going):
    assert push(client, device[1], [{}] * 1001).status_code == 400


def test_people_may_send_lists_too(sign_in, going):
    rows = [
        {"id": str(uuid.uuid4()), "session": str(going.pk), "time_into_session_s": n, "voltage_v": 50} for n in (1, 2)
    ]
    client = sign_in("recorder")
    for outcome in ("stored", "was there"):
        answer = client.post(READINGS, json.dumps(rows), content_type="application/json")
        assert [item["outcome"] for item in answer.json()] == [outcome] * 2
    assert client.post(READINGS, json.dumps([{}]), content_type="application/json").json()[0]["outcome"] == "refused"


@pytest.mark.parametrize(("method", "path"), [
    ("get", READINGS), ("get", "/api/v1/vehicles/"), ("post", "/api/v1/venues/"),
    ("put", f"{READINGS}{uuid.UUID(int=7)}/"),
    ("delete", f"{READINGS}{uuid.UUID(int=7)}/"), ("get", "/api/v1/field/"), ("get", "/api/v1/photos/"),
])  # fmt: skip
def test_a_key_opens_nothing_else(client, device, going, method, path):
    headers = {"Authorization": f"Bearer {device[1]}"}
    body = {} if method == "get" else {"data": json.dumps({"name": "x"}), "content_type": "application/json"}
    assert getattr(client, method)(path, headers=headers, **body).status_code in (401, 403)


def test_a_key_opens_no_page(client, device, going):
    answer = client.get("/", headers={"Authorization": f"Bearer {device[1]}"})
    assert answer.status_code == 302
    assert answer.url.startswith("/sign-in/")


def test_a_key_reaches_its_own_machine_only(client, device, going, revision):
    other = Vehicle.objects.create(name="Kart")
    DeviceToken.objects.update(vehicle=other)
    row = {"session": str(going.pk), "time_into_session_s": 5, "voltage_v": 51}
    assert "no session of the device's machine" in str(push(client, device[1], row).json()["errors"])


@pytest.mark.parametrize("end", ["revoked", "shut", "reader", "unknown", "empty", "broken"])
def test_a_key_ends(client, device, going, end):
    token, key = device
    if end == "revoked":
        DeviceToken.objects.update(revoked_at=timezone.now())
    elif end in ("shut", "reader"):
        token.account.is_active, token.account.role = end != "shut", "reader" if end == "reader" else "builder"
        token.account.save()
    else:
        key = {"unknown": "x" * 40, "empty": "", "broken": "two words"}[end]
    assert push(client, key, {"at": now(minutes=1), "voltage_v": 50}).status_code in (401, 403)
    assert not Reading.objects.exists()


def test_only_the_hash_is_stored_and_use_is_seen(client, device, going, sign_in):
    token, key = device
    push(client, key, {"at": now(minutes=1), "voltage_v": 50})
    token.refresh_from_db()
    assert token.last_used_at is not None
    assert key not in str(DeviceToken.objects.values())
    builder = sign_in("builder")
    page = builder.post("/devices/", {"name": "Second", "vehicle": token.vehicle_id, "may_add_readings": "on"})
    assert DeviceToken.open_for(page.context["key"]).name == "Second"
    builder.post(f"/devices/{token.pk}/revoke/")
    assert DeviceToken.open_for(key) is None


@pytest.mark.django_db(transaction=True)
def test_the_client_in_the_documents_works(live_server, device, going, tmp_path):
    source = block("device client")
    assert len(source.strip().splitlines()) <= 22
    (tmp_path / "client.py").write_text(source)
    values = {**os.environ, "FIRNLOG_ADDRESS": live_server.url, "FIRNLOG_KEY": device[1], "FIRNLOG_PAUSE_S": "0"}
    ran = subprocess.run(
        [sys.executable, str(tmp_path / "client.py")], input="52.1 40\n51.9 44.5\n", env=values, text=True,
        capture_output=True, timeout=LONGEST_WAIT_S, check=True,
    )  # fmt: skip
    assert ran.stdout.count("stored") == 2, ran.stdout
    assert sorted(Reading.objects.values_list("voltage_v", "current_a")) == [(51.9, 44.5), (52.1, 40.0)]
