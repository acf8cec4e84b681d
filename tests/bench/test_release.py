"""Before a revision is ridden: a machine with eight planted traps, a sound one, and how points are settled.

The traps are those that cost most when they are found while riding. All are said on the revision, on its release page,
in JSON and on the phone.
"""

import html
import json
from datetime import date, timedelta

import pytest
from django.utils import timezone

from buildlog.models import Failure, FailureMode, Fitting, Modification, Part, Revision, Vehicle
from sessions.bench.release import release_state
from sessions.field.reference import reference
from sessions.models import AcceptedPoint, GoNoGoCheck, Release, Session
from tests.filled_forms import opened

MODULE = {
    "nominal_voltage_v": 50.4, "full_voltage_v": 58.8, "empty_voltage_v": 35.0, "capacity_ah": 12.0,
    "continuous_current_a": 60.0, "resistance_ohm": 0.03,
}  # fmt: skip
CONTROLLER = {
    "highest_voltage_v": 72.0,
    "lowest_voltage_v": 40.0,
    "continuous_current_a": 50.0,
    "peak_current_a": 100.0,
}
MOTOR = {"motor_constant_rpm_per_v": 60.0, "highest_speed_rpm": 4000.0, "highest_voltage_v": 72.0}
SOUND = {
    "battery_module": MODULE,
    "speed_controller": CONTROLLER,
    "motor": MOTOR,
    "cable": {"section_mm2": 16.0, "length_m": 2.0},
    "fuse": {"rated_current_a": 60.0},
    "charger": {"output_voltage_v": 58.8, "charging_current_a": 5.0},
}
PLACES = {"battery_module": (0.9, 0.25), "frame": (0.8, 0.3)}
MASSES = {"battery_module": 10.0, "frame": 60.0}
WIDE = [{"x_m": 0.0, "y_m": 0.6}, {"x_m": 0.0, "y_m": -0.6}, {"x_m": 1.6, "y_m": 0.6}, {"x_m": 1.6, "y_m": -0.6}]
NARROW = [{"x_m": 0.0, "y_m": 0.1}, {"x_m": 0.0, "y_m": -0.1}, *WIDE[2:]]


def build(vehicle, number, specifications, *, points=WIDE, pack_z_m=0.25, parent=None, status="in_build"):
    revision = Revision.objects.create(
        vehicle=vehicle, number=number, parent=parent, date=date(2026, 1, number), status=status, seat_x_m=0.6,
        seat_z_m=0.35, rider_mass_kg=80.0, contact_points=points,
    )  # fmt: skip
    for category, specification in (specifications | {"frame": {}}).items():
        figures = " ".join(f"{value:g}" for _, value in sorted(specification.items()))
        part, _ = Part.objects.get_or_create(
            category=category, name=f"{category} {figures}",
            defaults={"mass_kg": MASSES.get(category, 2.0), "specification": specification},
        )  # fmt: skip
        x_m, z_m = PLACES.get(category, (0.8, 0.3))
        z_m = pack_z_m if category == "battery_module" else z_m
        wired = {"series": 1, "parallel": 1} if category == "battery_module" else {}
        Fitting.objects.create(revision=revision, part=part, x_m=x_m, z_m=z_m, **wired)
    return revision


@pytest.fixture
def sound(vehicle):
    return build(vehicle, 1, SOUND)


TRAPS = {
    "full pack at the controller's limit": ("speed_controller", CONTROLLER | {"highest_voltage_v": 58.8},
                                            "At the voltage limit of the controller."),
    "cut-off above the full pack": ("speed_controller", CONTROLLER | {"lowest_voltage_v": 60.0},
                                    "Below the controller's cut-off."),
    "charger too high": ("charger", {"output_voltage_v": 67.2}, "The charger charges too high."),
    "cable under its fuse": ("cable", {"section_mm2": 4.0, "length_m": 2.0}, "The cable is under its fuse."),
    "motor over its speed": ("motor", MOTOR | {"highest_speed_rpm": 3000.0}, "The motor can turn faster than it may."),
}  # fmt: skip


@pytest.fixture
def trapped(sound):
    """Eight traps in one machine: five of parts, the pack lifted, a narrow rear, and an open failure of category I."""
    specifications = dict(SOUND)
    for category, specification, _ in TRAPS.values():
        specifications[category] = specifications[category] | specification
    specifications["speed_controller"] = CONTROLLER | {"highest_voltage_v": 58.8, "lowest_voltage_v": 60.0}
    revision = build(sound.vehicle, 2, specifications, points=NARROW, pack_z_m=1.2, parent=sound)
    Failure.objects.create(revision=sound, mode=FailureMode.called("steering came loose"), severity=1)
    return revision


sentences = [
    *(title for _, _, title in TRAPS.values()),
    "It tips earlier than R1.",
    "Most of its weight is on its narrow rear.",
    "Open failure of category I: steering came loose.",
]
ALL_TITLES = set(sentences)


def state(revision):
    return release_state(Revision.objects.select_related("vehicle").get(pk=revision.pk))


def said_of(revision, client, account):
    """What the revision's page, its release page, JSON and the phone say of its points."""
    phone = next(row for row in reference(account)["revisions"] if row["id"] == str(revision.pk))["points"]
    as_json = client.get(f"/api/v1/revisions/{revision.pk}/limits/").json()["release"]["points"]
    pages = [client.get(f"/revisions/{revision.pk}/{page}").content.decode() for page in ("", "release/", "report/")]
    return [*(html.unescape(page) for page in pages), *(json.dumps(rows) for rows in (as_json, phone))]


def test_a_sound_machine_gives_none(sound, sign_in, make_account):
    assert state(sound).points == []
    client = sign_in("reader")
    assert "Nothing that is known is open" in client.get(f"/revisions/{sound.pk}/release/").content.decode()
    sentence = said_of(sound, client, make_account("builder"))
    assert not any(title in text for title in ALL_TITLES for text in sentence)
    assert json.loads(sentence[3]) == []
    assert [point["point"] for point in json.loads(sentence[4])] == ["chain", "steering", "brake"]


@pytest.mark.parametrize("name", [*TRAPS, "pack lifted", "narrow rear", "open failure of category I"])
def test_each_trap_alone_is_said_before_the_first_ride_wherever_one_looks(sound, name, sign_in, make_account):
    """One trap and nothing else: each page, JSON and the phone say it, and none of the other seven."""
    more, specifications = {}, SOUND
    if name in TRAPS:
        category, specification, title = TRAPS[name]
        specifications = SOUND | {category: specification}
    elif name == "pack lifted":
        more, title = {"pack_z_m": 2.2}, "It tips earlier than R1."
    elif name == "narrow rear":
        # The parent is as narrow, so that it is the end that is said and not the change.
        Revision.objects.filter(pk=sound.pk).update(contact_points=NARROW)
        more, title = {"points": NARROW}, "Most of its weight is on its narrow rear."
    else:
        Failure.objects.create(revision=sound, mode=FailureMode.called("steering came loose"), severity=1)
        title = "Open failure of category I: steering came loose."
    revision = build(sound.vehicle, 2, specifications, parent=sound, **more)
    assert not Session.objects.exists()
    sentence = said_of(revision, sign_in("owner"), make_account("builder"))
    assert all(title in text for text in sentence)
    assert not any(other in text for other in ALL_TITLES - {title} for text in sentence)


@pytest.mark.parametrize("name", TRAPS)
def test_each_trap_of_a_part_alone_is_said(vehicle, name):
    category, specification, title = TRAPS[name]
    assert title in [point.title for point in state(build(vehicle, 1, SOUND | {category: specification})).open_points]


def test_a_lifted_pack_alone_is_said_with_the_part_that_was_lifted(sound):
    [point] = state(build(sound.vehicle, 2, SOUND, parent=sound, pack_z_m=2.2)).open_points
    assert point.title == "It tips earlier than R1."
    assert "battery_module" in point.sentence
    assert "1.95 m higher" in point.sentence or "2 m higher" in point.sentence


def test_a_narrow_rear_alone_is_said(vehicle):
    titles = [point.title for point in state(build(vehicle, 1, SOUND, points=NARROW)).open_points]
    assert "Most of its weight is on its narrow rear." in titles


def test_all_eight_traps_are_said_before_the_first_ride(trapped, sign_in, make_account):
    assert not Session.objects.exists()
    for text in said_of(trapped, sign_in("owner"), make_account("builder")):
        assert [title for title in sentences if title not in text] == []


def test_nothing_is_called_safe(trapped, sound, sign_in):
    client = sign_in("owner")
    for revision in (trapped, sound):
        for page in ("", "release/", "space/", "wiring/"):
            text = client.get(f"/revisions/{revision.pk}/{page}").content.decode().lower()
            # "does not make it safe to build" denies it.
            assert "safe" not in text.replace("does not make it safe", "").replace("safe-area", "")


# Going to riding


def ride(client, revision):
    path = f"/revisions/{revision.pk}/edit/"
    return client.post(path, opened(client, path) | {"status": "riding"})


def test_an_open_point_keeps_a_revision_from_riding_by_form_and_api(trapped, sign_in):
    client = sign_in("builder")
    answer = ride(client, trapped)
    assert answer.status_code == 422
    text = answer.content.decode()
    assert "points are open before R2 may be ridden" in text
    assert f'href="/revisions/{trapped.pk}/release/"' in text
    path = f"/api/v1/revisions/{trapped.pk}/"
    sent = {"status": "riding", "version": client.get(path).json()["version"]}
    answer = client.patch(path, json.dumps(sent), content_type="application/json")
    assert answer.status_code == 400
    assert "may be ridden" in answer.json()["status"][0]
    trapped.refresh_from_db()
    assert trapped.status == "in_build"


def test_a_sound_machine_goes_to_riding_by_form_and_its_release_is_recorded(sound, sign_in):
    assert ride(sign_in("builder"), sound).status_code == 302
    sound.refresh_from_db()
    assert sound.status == "riding"
    release = Release.objects.get()
    assert (release.released_by, release.points) == ("builder", [])


def test_a_sound_machine_goes_to_riding_by_the_interface(sound, sign_in):
    client = sign_in("builder")
    path = f"/api/v1/revisions/{sound.pk}/"
    sent = {"status": "riding", "version": client.get(path).json()["version"]}
    assert client.patch(path, json.dumps(sent), content_type="application/json").status_code == 200
    assert Release.objects.get().revision_id == sound.pk


def test_a_revision_that_rides_already_is_edited_as_before(trapped, sign_in):
    Revision.objects.filter(pk=trapped.pk).update(status="riding")
    client = sign_in("builder")
    path = f"/revisions/{trapped.pk}/edit/"
    assert client.post(path, opened(client, path) | {"purpose": "Longer"}).status_code == 302
    assert not Release.objects.exists()


def accept(client, revision, point, reason="Walking pace on the shore."):
    data = {"point": point.key, "sentence": point.sentence, "reason": reason}
    return client.post(f"/revisions/{revision.pk}/release/accept/", data)


def test_a_builder_accepts_what_is_serious_with_a_reason(vehicle, sign_in):
    revision = build(vehicle, 1, SOUND | {"cable": {"section_mm2": 4.0, "length_m": 2.0}})
    client = sign_in("builder")
    for point in state(revision).open_points:
        assert not point.needs_owner
        answer = accept(client, revision, point, reason="")
        assert answer.status_code == 422
        assert "Write why it is ridden all the same" in answer.content.decode()
        assert accept(client, revision, point).status_code == 302
    assert state(revision).open_points == []
    assert client.post(f"/revisions/{revision.pk}/release/ride/").status_code == 302
    revision.refresh_from_db()
    assert revision.status == "riding"
    stored = Release.objects.get().points
    assert {row["by"] for row in stored} == {"builder"}
    assert {row["reason"] for row in stored} == {"Walking pace on the shore."}
    report = client.get(f"/revisions/{revision.pk}/report/").content.decode()
    assert "Walking pace on the shore." in report


def test_what_cannot_be_and_open_hazards_need_an_owner(vehicle, sign_in):
    revision = build(vehicle, 1, SOUND | {"charger": {"output_voltage_v": 67.2}})
    Failure.objects.create(revision=revision, mode=FailureMode.called("brake faded"), severity=2)
    client = sign_in("builder")
    points = state(revision).open_points
    assert [point.needs_owner for point in points] == [True, True]
    assert all(accept(client, revision, point).status_code == 403 for point in points)
    owner = sign_in("owner")
    assert all(accept(owner, revision, point).status_code == 302 for point in points)
    assert state(revision).open_points == []


def test_an_open_failure_is_accepted_for_one_outing_only(vehicle, venue, sign_in):
    revision = build(vehicle, 1, SOUND)
    Failure.objects.create(revision=revision, mode=FailureMode.called("steering came loose"), severity=1)
    client = sign_in("owner")
    [point] = state(revision).open_points
    accept(client, revision, point)
    assert state(revision).open_points == []
    Session.objects.create(revision=revision, venue=venue, started_at=timezone.now() + timedelta(minutes=1))
    assert [row.key for row in state(revision).open_points] == [point.key]


def test_an_acceptance_ends_when_the_point_says_something_else(vehicle, sign_in):
    revision = build(vehicle, 1, SOUND | {"cable": {"section_mm2": 4.0, "length_m": 2.0}})
    client = sign_in("owner")
    for point in state(revision).open_points:
        accept(client, revision, point)
    part = Part.objects.get(category="fuse")
    part.specification = {"rated_current_a": 80.0}
    part.save()
    assert [point.key for point in state(revision).open_points] == ["cable_under_fuse"]


def test_a_fix_on_this_revision_makes_a_hazard_one_that_a_builder_accepts(sound, sign_in):
    failure = Failure.objects.create(revision=sound, mode=FailureMode.called("steering came loose"), severity=1)
    fixed = build(sound.vehicle, 2, SOUND, parent=sound)
    Modification.objects.create(revision=fixed, title="Castle nut").answers.add(failure)
    [point] = state(fixed).open_points
    assert (point.severity, point.needs_owner) == ("serious", False)
    assert [row.needs_owner for row in state(sound).open_points] == [True]


def test_an_open_point_is_not_released_by_posting(trapped, sign_in):
    client = sign_in("owner")
    answer = client.post(f"/revisions/{trapped.pk}/release/ride/", follow=True)
    assert "Not released" in answer.content.decode()
    assert not Release.objects.exists()


def test_a_point_that_is_gone_and_one_that_changed_are_not_accepted(trapped, sign_in):
    client = sign_in("owner")
    path = f"/revisions/{trapped.pk}/release/accept/"
    for data in ({"point": "no such"}, {"point": "charger", "sentence": "Something else.", "reason": "x"}):
        assert client.post(path, data).status_code == 409
    assert not AcceptedPoint.objects.exists()


# The phone


def test_a_check_keeps_the_points_of_the_machine(session, sign_in):
    client = sign_in("recorder")
    points = [{"point": "chain", "label": "chain tight", "answer": "no"}]
    data = {"session": str(session.pk), **dict.fromkeys(GoNoGoCheck.ITEMS, "yes"), "machine_points": points}
    path = "/api/v1/go-no-go-checks/"
    assert client.post(path, json.dumps(data), content_type="application/json").status_code == 400
    data["reason_to_go_on"] = "Pushed by hand."
    assert client.post(path, json.dumps(data), content_type="application/json").status_code == 201
    assert "chain tight" in client.get(f"/sessions/{session.pk}/").content.decode()


@pytest.mark.parametrize(
    "points", ["chain", [{"point": "chain"}], [{"point": "a", "label": "b", "answer": "perhaps"}], [1]]
)
def test_points_of_a_check_that_are_none_are_refused(session, sign_in, points):
    data = {"session": str(session.pk), **dict.fromkeys(GoNoGoCheck.ITEMS, "yes"), "machine_points": points}
    answer = sign_in("recorder").post("/api/v1/go-no-go-checks/", json.dumps(data), content_type="application/json")
    assert answer.status_code == 400


def test_costs_do_not_grow_with_revisions_and_machines(trapped, make_account, django_assert_max_num_queries):
    account = make_account("recorder")
    with django_assert_max_num_queries(60) as few:
        reference(account)
    for number in range(3):
        build(Vehicle.objects.create(name=f"Other {number}"), 1, SOUND)
    with django_assert_max_num_queries(len(few)):
        reference(account)


def test_a_new_revision_is_judged_by_the_parts_that_it_will_have(trapped, sign_in):
    """By its form it takes its parent's parts along; by the interface it has none yet."""
    client = sign_in("builder")
    path = f"/vehicles/{trapped.vehicle_id}/new-revision/"
    answer = client.post(path, opened(client, path) | {"status": "riding", "parent": str(trapped.pk)})
    assert (answer.status_code, "before R" in answer.content.decode()) == (422, True)
    body = {
        "vehicle": str(trapped.vehicle_id), "number": 77, "parent": str(trapped.pk), "date": "2026-02-01",
        "status": "riding",
    }  # fmt: skip
    answer = client.post("/api/v1/revisions/", body, content_type="application/json")
    assert (answer.status_code, "Open failure of category I" in answer.content.decode()) == (400, True)
    Failure.objects.all().delete()
    answer = client.post("/api/v1/revisions/", body, content_type="application/json")
    assert answer.status_code == 201, answer.content
    assert not Revision.objects.get(number=77).fittings.exists()
