"""The REST API: idempotent, strict, and never a 500."""

import json
import uuid

import pytest
from django.core.management import call_command

from buildlog.models import FailureMode, Part, Photo, Revision, Vehicle
from sessions.models import Gate, Reading, Session

KINDS = {
    "vehicles": "builder",
    "revisions": "builder",
    "parts": "builder",
    "fittings": "builder",
    "balance-tests": "builder",
    "individuals": "builder",
    "individual-fittings": "builder",
    "upkeep-items": "builder",
    "upkeep-checks": "recorder",
    "modifications": "builder",
    "failure-modes": "recorder",
    "failures": "recorder",
    "verifications": "recorder",
    "photos": "recorder",
    "venues": "recorder",
    "gates": "recorder",
    "sessions": "recorder",
    "passes": "recorder",
    "readings": "recorder",
    "go-no-go-checks": "recorder",
    "test-cards": "recorder",
    "test-card-items": "recorder",
    "track-parts": "recorder",
    "mark-taps": "recorder",
    "voice-notes": "recorder",
    "instruments": "builder",
    "formula-channels": "builder",
    "trials": "builder",
}
BELOW = {"builder": "recorder", "recorder": "reader"}


def put(client, path, **data):
    return client.put(path, json.dumps(data), content_type="application/json")


@pytest.mark.parametrize("kind", KINDS)
def test_readers_read_and_do_not_write(kind, sign_in):
    client = sign_in("reader")
    assert client.get(f"/api/v1/{kind}/").status_code == 200
    answer = client.post(f"/api/v1/{kind}/", "{}", content_type="application/json")
    assert answer.status_code == 403
    assert "not change it" in answer.json()["detail"]


@pytest.mark.parametrize("kind", KINDS)
def test_the_role_below_does_not_write_and_the_role_itself_is_told_what_is_missing(kind, sign_in):
    client = sign_in(BELOW[KINDS[kind]])
    assert client.post(f"/api/v1/{kind}/", "{}", content_type="application/json").status_code == 403
    client = sign_in(KINDS[kind])
    assert client.post(f"/api/v1/{kind}/", "{}", content_type="application/json").status_code == 400


@pytest.mark.parametrize("kind", KINDS)
def test_outsiders_get_nothing(kind, client, db):
    assert client.get(f"/api/v1/{kind}/").status_code in (401, 403)
    assert client.get(f"/api/v1/{kind}/").headers["Content-Type"] == "application/json"


@pytest.mark.parametrize("kind", KINDS)
def test_bad_ids_and_wrong_methods(kind, sign_in):
    client = sign_in("owner")
    assert client.get(f"/api/v1/{kind}/{uuid.uuid4()}/").status_code == 404
    assert client.get(f"/api/v1/{kind}/nonsense/").status_code == 404
    assert client.delete(f"/api/v1/{kind}/").status_code == 405


def test_sending_twice_makes_one_record(sign_in, session):
    client = sign_in("recorder")
    path = f"/api/v1/readings/{uuid.uuid4()}/"
    row = {"session": str(session.pk), "time_into_session_s": "5 min", "voltage_v": "52,4 V", "current_a": -3}
    assert put(client, path, **row).status_code == 201
    again = put(client, path, **row)
    assert again.status_code == 200
    assert Reading.objects.count() == 1
    assert again.json()["voltage_v"] == pytest.approx(52.4)
    assert again.json()["time_into_session_s"] == 300.0
    put(client, path, **{**again.json(), "voltage_v": 51})
    assert Reading.objects.get().voltage_v == 51.0


def test_units_in_the_api(sign_in, venue):
    answer = put(
        sign_in("recorder"),
        f"/api/v1/gates/{uuid.uuid4()}/",
        venue=str(venue.pk),
        name="G",
        u_distance_m="2 cm",
        marks=[{"position_m": 0}, {"position_m": "110 yd"}],
    )
    assert answer.status_code == 201
    # NIST SP 811 (2008), B.8: 1 yd = 0.9144 m.
    assert Gate.objects.get().length_m == pytest.approx(110 * 0.9144)
    assert answer.json()["marks"][1]["position_m"] == pytest.approx(100.584)


def test_a_gate_from_coordinates(sign_in, venue):
    marks = [{"latitude_deg": 60.0, "longitude_deg": 25.0}, {"latitude_deg": 60.0009, "longitude_deg": 25.0}]
    answer = put(
        sign_in("recorder"),
        f"/api/v1/gates/{uuid.uuid4()}/",
        venue=str(venue.pk),
        name="G",
        method="coordinates",
        marks=marks,
    )
    # geographiclib 2.1, WGS84.
    assert answer.json()["marks"][1]["position_m"] == pytest.approx(100.271066, abs=1e-5)


BAD_SESSIONS = [
    ({"distance_m": "12 V"}, "distance_m", "not a distance"),
    ({"distance_m": 0}, "distance_m", "more than 0"),
    ({"runtime_s": -5}, "runtime_s", "more than 0"),
    ({"ended_at": "2026-01-17T10:00:00Z"}, "ended_at", "after the start"),
    ({"air_temperature_c": True}, "air_temperature_c", "must be a number"),
    ({"air_temperature_c": [1]}, "air_temperature_c", "must be a number"),
    ({"distance_m": 10**400}, "distance_m", ""),
    ({"surface": "lava"}, "surface", "not a valid choice"),
    ({"revision": "x"}, "revision", ""),
    ({"revision": str(uuid.uuid4())}, "revision", "does not exist"),
    ({"notes": "a\u0000b"}, "notes", "Null"),
    ({"started_at": "soon"}, "started_at", ""),
]


@pytest.mark.parametrize(("change", "field", "words"), BAD_SESSIONS)
def test_bad_sessions_are_named(sign_in, revision, venue, change, field, words):
    good = {"revision": str(revision.pk), "venue": str(venue.pk), "started_at": "2026-01-17T11:00:00Z"}
    answer = put(sign_in("recorder"), f"/api/v1/sessions/{uuid.uuid4()}/", **{**good, **change})
    assert answer.status_code == 400
    assert words in str(answer.json()[field])
    assert not Session.objects.exists()


@pytest.mark.parametrize(
    "body", ["[]", "7", '"x"', "null", "{", "", '{"distance_m": NaN}', '{"distance_m": 1e400}', "\xff"]
)
def test_broken_bodies_are_refused(sign_in, body):
    answer = sign_in("recorder").put(f"/api/v1/sessions/{uuid.uuid4()}/", body, content_type="application/json")
    assert answer.status_code == 400


@pytest.mark.parametrize("marks", [[], [{"position_m": 0}], [{"position_m": 5}, {"position_m": 5}], "x", [1], [{}, {}]])
def test_bad_gates_are_refused(sign_in, venue, marks):
    answer = put(sign_in("recorder"), f"/api/v1/gates/{uuid.uuid4()}/", venue=str(venue.pk), name="G", marks=marks)
    assert answer.status_code == 400
    assert "marks" in answer.json()
    assert not Gate.objects.exists()


@pytest.mark.parametrize(
    "change",
    [{"duration_s": 0}, {"duration_s": -1}, {"frames_per_s": 12345}, {"split_times_s": [9]}, {"split_times_s": "x"},
     {"split_times_s": [{}]}, {"valid": False}, {"method": "video"}],
)  # fmt: skip
def test_bad_passes_are_refused(sign_in, session, gate, change):
    good = {"session": str(session.pk), "gate": str(gate.pk), "duration_s": 7.3}
    answer = put(sign_in("recorder"), f"/api/v1/passes/{uuid.uuid4()}/", **{**good, **change})
    assert answer.status_code == 400
    assert not session.passes.exists()


@pytest.mark.parametrize(
    ("specification", "words"),
    [
        ({"capacity_ah": "12 V"}, "not a charge"),
        ({"colour": 3}, "has no colour"),
        ([], "table"),
        ({"capacity_ah": -1}, "must be more than 0 Ah and at most 10000 Ah; −1 Ah was written"),
    ],
)
def test_a_part_is_judged_by_its_declaration(sign_in, specification, words):
    good = {"nominal_voltage_v": 48, "full_voltage_v": 54.6, "empty_voltage_v": 39, "capacity_ah": "20 Ah"}
    client = sign_in("builder")
    given = {**good, **specification} if isinstance(specification, dict) else specification
    answer = put(client, f"/api/v1/parts/{uuid.uuid4()}/", name="M", category="battery_module", specification=given)
    assert answer.status_code == 400
    assert words in str(answer.json()["specification"])
    answer = put(client, f"/api/v1/parts/{uuid.uuid4()}/", name="M", category="battery_module", specification=good)
    assert answer.status_code == 201
    assert Part.objects.get().specification["capacity_ah"] == 20.0


def test_a_refused_failure_leaves_no_new_word_behind(sign_in, revision):
    client = sign_in("recorder")
    row = {"revision": str(revision.pk), "mode_name": "New word", "severity": 9}
    assert put(client, f"/api/v1/failures/{uuid.uuid4()}/", **row).status_code == 400
    assert not FailureMode.objects.exists()
    row["severity"] = 3
    assert put(client, f"/api/v1/failures/{uuid.uuid4()}/", **row).status_code == 201
    assert FailureMode.objects.get().name == "New word"


def test_unique_rules_are_a_sentence(sign_in, revision):
    answer = put(
        sign_in("builder"),
        f"/api/v1/revisions/{uuid.uuid4()}/",
        vehicle=str(revision.vehicle_id),
        number=1,
        date="2026-01-01",
    )
    assert answer.status_code == 400
    assert "already has a revision with that number" in str(answer.json())
    assert Revision.objects.count() == 1


def test_patch_changes_only_what_is_sent(sign_in, session):
    client, path = sign_in("recorder"), f"/api/v1/sessions/{session.pk}/"
    data = {"distance_m": "5 km", "version": client.get(path).json()["version"]}
    answer = client.patch(path, json.dumps(data), content_type="application/json")
    assert answer.status_code == 200
    session.refresh_from_db()
    assert (session.distance_m, session.runtime_s) == (5000.0, 1800.0)


def test_what_others_rest_on_is_kept(sign_in, session):
    answer = sign_in("builder").delete(f"/api/v1/revisions/{session.revision_id}/")
    assert answer.status_code == 409
    assert "sessions depend on it" in answer.json()["detail"]


def test_lists_are_narrowed(sign_in, session, vehicle):
    client = sign_in("reader")
    assert client.get(f"/api/v1/sessions/?revision={session.revision_id}").json()["count"] == 1
    assert client.get(f"/api/v1/sessions/?revision={uuid.uuid4()}").json()["count"] == 0
    assert client.get("/api/v1/sessions/?revision=x").status_code == 400


def test_photos_by_put_are_stored_once(sign_in, session, picture_file):
    from django.test.client import BOUNDARY, MULTIPART_CONTENT, encode_multipart

    client = sign_in("recorder")
    path = f"/api/v1/photos/{uuid.uuid4()}/"
    for expected in (201, 200):
        picture_file.seek(0)
        body = encode_multipart(BOUNDARY, {"session": session.pk, "image": picture_file})
        answer = client.put(path, body, content_type=MULTIPART_CONTENT)
        assert answer.status_code == expected, answer.content
    assert Photo.objects.count() == 1
    assert answer.json()["image_url"].endswith("/image/")
    body = encode_multipart(BOUNDARY, {"image": picture_file})
    assert client.put(f"/api/v1/photos/{uuid.uuid4()}/", body, content_type=MULTIPART_CONTENT).status_code == 400


def test_a_chosen_id_is_kept_and_not_taken_twice(sign_in):
    client = sign_in("builder")
    key = str(uuid.uuid4())
    row = json.dumps({"id": key, "name": "Sled"})
    assert client.post("/api/v1/vehicles/", row, content_type="application/json").status_code == 201
    assert str(Vehicle.objects.get().pk) == key
    assert client.post("/api/v1/vehicles/", row, content_type="application/json").status_code == 400


def test_the_openapi_document_is_whole(tmp_path, sign_in):
    call_command("spectacular", validate=True, fail_on_warn=True, file=str(tmp_path / "schema.yml"))
    assert sign_in("reader").get("/api/v1/schema/").status_code == 200


def test_the_caption_of_a_photo_is_changed_by_its_version(sign_in, session, picture_file):
    from django.test.client import BOUNDARY, MULTIPART_CONTENT, encode_multipart

    client = sign_in("builder")
    path = f"/api/v1/photos/{uuid.uuid4()}/"
    body = encode_multipart(BOUNDARY, {"session": str(session.pk), "caption": "Ice", "image": picture_file})
    version = client.put(path, body, content_type=MULTIPART_CONTENT).json()["version"]

    def change(caption, **more):
        return client.patch(path, {"caption": caption, **more}, content_type="application/json")

    assert change("Thin ice").status_code == 428
    changed = change("Thin ice", version=version)
    assert (changed.status_code, changed.json()["caption"]) == (200, "Thin ice")
    assert change("Water", version=version).status_code == 412
    # Sending what is stored already is no change.
    assert change("Thin ice", version=version).status_code == 200
    gone = client.patch(f"/api/v1/photos/{uuid.uuid4()}/", {"caption": "x"}, content_type="application/json")
    assert gone.status_code == 404
    assert sign_in("reader").patch(path, {"caption": "x"}, content_type="application/json").status_code == 403
