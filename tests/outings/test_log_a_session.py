"""The main job: a session typed in by hand gives its results and moves the comparison."""

import pytest

from buildlog.models import Fitting, Revision
from sessions.evidence.reader import Evidence
from sessions.models import Assumptions, Gate, Pass, Reading, Session, Venue


def test_a_session_typed_in_by_hand(sign_in, revision, battery):
    Fitting.objects.create(revision=revision, part=battery, quantity=2, series=1, parallel=2)
    client = sign_in("builder")
    answer = client.post(
        "/sessions/new/",
        {
            "revision": revision.pk,
            "new_venue": "Home lake",
            "started_at": "2026-01-17T11:00",
            "runtime_s": "30 min",
            "distance_m": "6.2137 mi",
            "air_temperature_c": "−10 °C",
            "wind_speed_mps": "10 km/h",
            "charge_used_ah": "8000 mAh",
            "rest_voltage_start_v": "58,0",
            "rest_voltage_end_v": "55 V",
            "rider_mass_kg": "80",
        },
    )
    session = Session.objects.get()
    assert answer.url == session.get_absolute_url()
    assert session.distance_m == pytest.approx(10_000, abs=0.5)  # NIST SP 811: 1 mi = 1609.344 m
    assert session.charge_used_ah == pytest.approx(8.0)
    client.post(
        f"/venues/{session.venue_id}/new-gate/",
        {"name": "Straight", "method": "taped", "u_distance_m": "2 cm", "marks": "0\n100 m"},
    )
    gate = Gate.objects.get()
    assert gate.u_distance_m == pytest.approx(0.02)
    client.post(
        f"/sessions/{session.pk}/new-pass/",
        {
            "gate": gate.pk,
            "direction": "out",
            "method": "video",
            "duration_s": "7",
            "frames": "10",
            "frames_per_s": "30",
            "valid": "on",
        },
    )
    timed = Pass.objects.get()
    assert timed.duration_s == pytest.approx(7 + 10 / 30)
    for minute, volts, amps in (("5", "54.1", "41,5"), ("12", "53.2 V", "60")):
        client.post(
            f"/sessions/{session.pk}/new-reading/",
            {"time_into_session_s": minute, "voltage_v": volts, "current_a": amps},
        )
    assert [reading.time_into_session_s for reading in Reading.objects.all()] == [300.0, 720.0]
    page = client.get(session.get_absolute_url())
    report = page.context["report"]
    # Common practice, no source: 100 m in 7 s and 10 frames at 30 frames/s is 49.1 km/h.
    assert round(3.6 * report.get("average_gate_speed").value, 1) == 49.1
    # JCGM 100:2008, 5.1.6: u(v)/v from 2 cm in 100 m and (1/30)/√6 s in 7.333 s.
    relative = ((0.02 / 100) ** 2 + ((1 / 30) / 6**0.5 / (7 + 10 / 30)) ** 2) ** 0.5
    assert report.get("average_gate_speed").u == pytest.approx(100 / (7 + 10 / 30) * relative)
    # IEC 80000-6:2022: 8 Ah at the mean of 54.1 V and 53.2 V over 10 km.
    assert report.get("energy_per_distance").value == pytest.approx(8 * 53.65 / 10, rel=1e-4)
    text = page.content.decode()
    assert "49.09 ± 0.18 km/h" in text
    assert "charge × mean voltage" in text
    assert "a pass back" in text  # what the two-way mean still needs
    # Environment Canada chart: −10 °C at 60 km/h of air is −23 (49.1 + 10 = 59.1 km/h).
    assert round(report.get("wind_chill").value) == -23
    compared = client.get(f"/compare/?vehicle={revision.vehicle_id}").context["comparison"]
    speeds = compared.measures[0].groups[0]
    assert 3.6 * speeds.mean == pytest.approx(49.09, abs=0.01)


def test_what_is_missing_is_listed_not_zero(sign_in, revision, venue):
    session = Session.objects.create(revision=revision, venue=venue)
    report = sign_in("reader").get(session.get_absolute_url()).context["report"]
    needs = {missing.key: missing.needs for missing in report.missing}
    assert needs["energy_per_distance"] == ("distance ridden", "energy used")
    assert "average_gate_speed" in needs
    assert report.get("energy_per_distance") is None


GOOD = {"started_at": "2026-01-17T11:00", "runtime_s": "30", "distance_m": "10"}


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("distance_m", "12 V", "not a distance: V is not one of its units"),
        ("distance_m", "0", "must be more than 0 km"),
        ("runtime_s", "-5 min", "must be more than"),
        ("distance_m", "nan", "not a distance"),
        ("charge_used_ah", "1,234.5", "two ways"),
        ("air_temperature_c", "900", "at most 60 °C"),
        ("energy_used_wh", "1e400", "too large"),
        ("ended_at", "2026-01-17T10:00", "must be after the start"),
        ("started_at", "yesterday", "in 24 hours, for example 2026-01-17 14:30"),
        ("revision", "not-a-key", "valid"),
        ("rider_mass_kg", "80 km", "not a mass"),
        ("notes", "\x00", "Null characters"),
    ],
)
def test_bad_input_is_named_and_nothing_is_lost(sign_in, revision, venue, name, text, words):
    sent = {**GOOD, "revision": revision.pk, "venue": venue.pk, "notes": "Long notes in gloves", name: text}
    answer = sign_in("recorder").post("/sessions/new/", sent)
    assert answer.status_code == 422
    assert words in str(answer.context["form"].errors[name])
    if name != "notes":
        assert "Long notes in gloves" in answer.content.decode()
    assert not Session.objects.exists()


def test_a_refused_form_says_what_it_understood_of_the_rest(sign_in, revision, venue):
    sent = {**GOOD, "revision": revision.pk, "venue": venue.pk, "distance_m": "12 V", "rider_mass_kg": "180 lb"}
    text = sign_in("recorder").post("/sessions/new/", sent).content.decode()
    assert '<p class="understood">81.65 kg</p>' in text  # NIST SP 811 (2008), B.8: 1 lb = 0.45359237 kg


def test_a_refused_session_leaves_no_new_venue(sign_in, revision):
    answer = sign_in("recorder").post(
        "/sessions/new/", {**GOOD, "revision": revision.pk, "new_venue": "Nowhere", "distance_m": "12 V"}
    )
    assert answer.status_code == 422
    assert not Venue.objects.exists()


def test_a_known_venue_is_not_made_twice(sign_in, revision, venue):
    sign_in("recorder").post("/sessions/new/", {**GOOD, "revision": revision.pk, "new_venue": "TEST LAKE"})
    assert Session.objects.get().venue == venue
    assert Venue.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"duration_s": "0"}, "duration_s", "more than 0 s"),
        ({"duration_s": "-3"}, "duration_s", "more than 0 s"),
        ({"frames_per_s": "12345"}, "frames_per_s", "at most 9999"),
        ({"frames": "10", "frames_per_s": ""}, "frames_per_s", "frame rate"),
        ({"split_times_s": "9"}, "split_times_s", "marks between its ends"),
        ({"gate": ""}, "gate", "Choose the gate"),
        ({"valid": "", "invalid_reason": ""}, "__all__", "why this pass does not count"),
        ({"method": "video", "frames_per_s": ""}, "__all__", "frame rate"),
    ],
)
def test_a_bad_pass_is_named(sign_in, session, gate, change, field, words):
    good = {"gate": gate.pk, "direction": "out", "method": "stopwatch", "duration_s": "7.3", "valid": "on"}
    answer = sign_in("recorder").post(f"/sessions/{session.pk}/new-pass/", {**good, **change})
    assert answer.status_code == 422
    assert words in str(answer.context["form"].errors[field])
    assert not Pass.objects.exists()


@pytest.mark.parametrize(
    ("marks", "method", "words"),
    [
        ("0", "taped", "at least two marks"),
        ("0\n0", "taped", "farther from the first"),
        ("0\n12 V", "taped", "Line 2"),
        ("", "taped", "required"),
        ("61.0, 24.9\n61.0, 24.9", "coordinates", "farther from the first"),
        ("61.0, 24.9\n95, 24.9", "coordinates", "Line 2"),
        ("0\n900 km", "taped", "Line 2"),
    ],
)
def test_a_bad_gate_is_named(sign_in, venue, marks, method, words):
    answer = sign_in("recorder").post(
        f"/venues/{venue.pk}/new-gate/", {"name": "G", "method": method, "u_distance_m": "0.1", "marks": marks}
    )
    assert answer.status_code == 422
    assert words in str(answer.context["form"].errors["marks"])
    assert not Gate.objects.exists()


def test_a_gate_from_coordinates(sign_in, venue):
    sign_in("recorder").post(
        f"/venues/{venue.pk}/new-gate/",
        {"name": "G", "method": "coordinates", "u_distance_m": "3 m", "marks": "60.0, 25.0\n60.0009, 25.0"},
    )
    # geographiclib 2.1 on WGS84: 100.271066 m.
    assert Gate.objects.get().length_m == pytest.approx(100.271066, abs=1e-5)


def test_splits_of_a_three_mark_gate_give_a_peak(sign_in, session, venue):
    from sessions.models import GateMark

    gate = Gate.objects.create(venue=venue, name="Three")
    GateMark.objects.bulk_create([GateMark(gate=gate, position_m=x) for x in (0, 50, 100)])
    client = sign_in("recorder")
    client.post(
        f"/sessions/{session.pk}/new-pass/",
        {
            "gate": gate.pk,
            "direction": "out",
            "method": "light_gate",
            "duration_s": "9",
            "split_times_s": "5",
            "valid": "on",
        },
    )
    report = client.get(session.get_absolute_url()).context["report"]
    # Constant acceleration through (0, 0), (5 s, 50 m), (9 s, 100 m): exit speed 245/18 m/s, by hand.
    assert report.get("peak_speed").value == pytest.approx(245 / 18)


def test_an_empty_reading_is_refused(sign_in, session):
    answer = sign_in("recorder").post(f"/sessions/{session.pk}/new-reading/", {"time_into_session_s": "5"})
    assert answer.status_code == 422
    assert "at least one value" in answer.content.decode()


def test_imperial_people_see_and_type_imperial(sign_in, session, django_user_model):
    client = sign_in("recorder")
    django_user_model.objects.update(unit_system="imperial")
    text = client.get(session.get_absolute_url()).content.decode()
    assert "6.214 mi" in text  # 10 km; NIST SP 811: 1 mi = 1609.344 m
    assert "14 °F" in text  # −10 °C
    client.post(f"/sessions/{session.pk}/edit/", {**form_of(client, session), "distance_m": "10"})
    session.refresh_from_db()
    assert session.distance_m == pytest.approx(16093.44)


def test_saving_without_a_change_changes_nothing(sign_in, session):
    client = sign_in("recorder")
    before = Session.objects.values().get()
    assert client.post(f"/sessions/{session.pk}/edit/", form_of(client, session)).status_code == 302
    assert Session.objects.values().get() == before


def form_of(client, session):
    """What a browser would send back from the edit page if nothing were touched."""
    form = client.get(f"/sessions/{session.pk}/edit/").context["form"]
    return {field.name: value for field in form if (value := field.value()) not in (None, "")} | {
        "started_at": session.started_at.strftime("%Y-%m-%dT%H:%M")
    }


def test_the_list_is_newest_first_a_page_at_a_time(sign_in, revision, venue):
    from datetime import UTC, datetime, timedelta

    began = datetime(2026, 1, 1, tzinfo=UTC)
    for day in (5, 2, 9, *range(10, 60)):
        Session.objects.create(revision=revision, venue=venue, started_at=began + timedelta(days=day))
    client = sign_in("reader")
    first = client.get("/sessions/").context
    second = client.get(f"/sessions/?before={first['page'].older}").context
    shown = [session.started_at for session in [*first["sessions"], *second["sessions"]]]
    assert shown == sorted(shown, reverse=True)
    assert len(shown) == 53
    assert (first["page"].newer, second["page"].older) == ("", "")


def test_the_list_counts_what_belongs_to_each_session(sign_in, session, timed_pass, gate, failure):
    struck_out = {"valid": False, "invalid_reason": "braked"}
    Pass.objects.create(session=session, gate=gate, number=2, duration_s=6.0, **struck_out)
    Pass.objects.create(session=session, gate=gate, number=3, duration_s=6.0)
    other = Session.objects.create(revision=session.revision, venue=session.venue)
    rows = {row.pk: row for row in sign_in("reader").get("/sessions/").context["sessions"]}
    assert (rows[session.pk].pass_count, rows[session.pk].failure_count) == (2, 1)
    assert (rows[other.pk].pass_count, rows[other.pk].failure_count) == (0, 0)


def test_the_sessions_of_one_revision(sign_in, session, revision):
    later = Revision.objects.create(vehicle=revision.vehicle, number=2, date="2026-02-01", parent=revision)
    theirs = Session.objects.create(revision=later, venue=session.venue)
    client = sign_in("reader")
    assert [row.pk for row in client.get(f"/sessions/?revision={later.pk}").context["sessions"]] == [theirs.pk]
    assert client.get("/sessions/?revision=x").status_code == 404


def test_a_gate_without_marks_breaks_nothing(sign_in, session, timed_pass):
    timed_pass.gate.marks.all().delete()
    page = sign_in("reader").get(session.get_absolute_url())
    assert page.status_code == 200
    assert "the gate has no length" in page.content.decode()
    assert page.context["report"].get("average_gate_speed") is None


def test_what_sessions_rest_on_is_kept_and_a_mistake_can_be_removed(sign_in, session, timed_pass):
    client = sign_in("builder")
    for path in (f"/venues/{session.venue_id}/remove/", f"/gates/{timed_pass.gate_id}/remove/"):
        assert "is kept" in client.post(path, follow=True).content.decode()
    assert "is kept" in client.post(f"/vehicles/{session.revision.vehicle_id}/remove/", follow=True).content.decode()
    session.delete()
    client.post(f"/gates/{timed_pass.gate_id}/remove/")
    client.post(f"/venues/{session.venue_id}/remove/")
    assert not Venue.objects.exists()


def test_at_the_reserve_the_page_promises_nothing_more(sign_in, session, battery):
    """A fifth of the charge left and a fifth kept: 0 s and 0 km, and at two fifths what lies above the reserve."""
    Fitting.objects.create(revision=session.revision, part=battery, quantity=4, series=1, parallel=4)
    # 48 Ah at 50.4 V in all. The rest voltage after would tell less than the counter, and the one before is not known.
    Session.objects.update(
        rest_voltage_start_v=None,
        rest_voltage_end_v=None,
        charge_used_ah=38.4,
        runtime_s=2880.0,
        air_temperature_c=25.0,
    )
    client = sign_in("reader")
    page = client.get(session.get_absolute_url())
    report = page.context["report"]
    for key in ("remaining_range", "turn_back_distance", "runtime_left"):
        assert report.get(key).value == pytest.approx(0.0, abs=1e-6)
    assert "less the reserve, 20 % of the pack" in page.content.decode()
    # 0.2 × 2419.2 Wh at 28.8 Ah × 50.4 V in 2160 s, that is 2419.2 W: 720 s.
    Session.objects.update(charge_used_ah=28.8, runtime_s=2160.0)
    report = client.get(session.get_absolute_url()).context["report"]
    assert report.get("runtime_left").value == pytest.approx(720.0)


def test_what_the_cold_holds_back_is_taken_off_as_the_machine_assumes(sign_in, session, battery):
    """0.5 % for each degree: 40 of them hold back a fifth of 2419.2 Wh; a machine may assume another share."""
    Fitting.objects.create(revision=session.revision, part=battery, quantity=4, series=1, parallel=4)
    Session.objects.update(
        rest_voltage_start_v=None, rest_voltage_end_v=None, charge_used_ah=10.0, distance_m=12000.0, runtime_s=1800.0
    )
    client = sign_in("reader")

    def left_wh(air_temperature_c):
        Session.objects.update(air_temperature_c=air_temperature_c)
        page = client.get(session.get_absolute_url())
        return page.context["report"].get("energy_left"), page.content.decode()

    warm, cold = left_wh(25.0)[0], left_wh(-15.0)
    assert warm.value - cold[0].value == pytest.approx(0.2 * 2419.2)
    assert "less the 20 % of the pack that −15 °C in the air holds back, as assumed" in cold[1]
    assert "no temperature was recorded, so the cold is not counted" in left_wh(None)[1]
    Assumptions.objects.create(vehicle=session.revision.vehicle, cold_loss_per_c_fraction=0.01)
    assert warm.value - left_wh(-15.0)[0].value == pytest.approx(0.4 * 2419.2)
    Reading.objects.create(session=session, time_into_session_s=5.0, battery_temperature_c=5.0)
    assert warm.value - left_wh(-15.0)[0].value == pytest.approx(0.2 * 2419.2)


def test_an_estimated_distance_is_as_uncertain_as_the_machine_assumes(session):
    Session.objects.update(distance_m=9000.0, runtime_s=1800.0, distance_method=Session.DistanceMethod.WHEEL)

    def share():
        speed = Evidence.of_session(Session.objects.get()).reports[0].get("average_speed")
        return speed.u / speed.value

    assert share() == pytest.approx(0.02)
    Session.objects.update(distance_method=Session.DistanceMethod.ESTIMATE)
    assert share() == pytest.approx(0.1)
    Assumptions.objects.create(vehicle=session.revision.vehicle, u_estimated_distance_fraction=0.3)
    assert share() == pytest.approx(0.3)


def test_the_assumptions_say_what_the_reserve_is_a_share_of(sign_in, vehicle):
    page = sign_in("builder").get(f"/vehicles/{vehicle.pk}/assumptions/").content.decode()
    assert "A share of the full pack" in page
