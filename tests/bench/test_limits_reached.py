"""What was measured out there beside what the parts stand: on every page, on paper, in logs and on the phone."""

from datetime import date, timedelta

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from buildlog.machines.limits import Ride, limits_of
from buildlog.machines.machine import Machine
from buildlog.machines.queries import read_line
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.models import Fitting, Part, Revision
from calc.results import LOG, RESULTS
from sessions.evidence.reader import Evidence
from sessions.logs.csv_layout import find_layout
from sessions.logs.ingest import read_stored, store_log
from sessions.logs.meanings import ColumnChoice, Mapping
from sessions.logs.models.logs import facts_in
from sessions.models import Log, Reading, Session
from tests.bench.electrics import fit_electrics

OVER = "The pack at rest before a ride of R1 had 86.2 V; the limit of the controller is 84 V."


@pytest.fixture
def ridden(session):
    """A session of a machine whose full pack has just what its controller stands."""
    fit_electrics(session.revision)
    Session.objects.filter(pk=session.pk).update(rest_voltage_start_v=80.0, rest_voltage_end_v=78.0)
    return session


def results(session):
    return Evidence.of_session(session).reports[0]


def later(revision, **fitted):
    made = Revision.objects.create(
        vehicle=revision.vehicle, number=revision.number + 1, parent=revision, date=date(2026, 3, 1), status="planned"
    )
    for fitting in revision.fittings.all():
        fitting.carried_to(made).save()
    return made


def pages_of(client, session):
    """The pages that stand between a charged pack and its controller."""
    revision = session.revision
    return {
        name: client.get(path).content.decode()
        for name, path in {
            "revision": revision.get_absolute_url(),
            "machine": revision.vehicle.get_absolute_url(),
            "bench": f"/vehicles/{revision.vehicle_id}/bench/",
            "what if": f"/revisions/{revision.pk}/what-if/",
        }.items()
    }


# Voltage


def test_a_rest_voltage_above_the_limit_is_said_on_every_page(ridden, sign_in):
    client = sign_in("builder")
    Session.objects.filter(pk=ridden.pk).update(rest_voltage_start_v=86.2)
    result = results(ridden).get("controller_voltage_margin")
    assert result.value == pytest.approx(84.0 - 86.2)
    page = client.get(ridden.get_absolute_url()).content.decode()
    assert "The pack at rest before the ride had 86.2 V; the limit of the controller is 84 V." in page
    assert '<span class="badge recurred">over</span>' in page
    for name, page in pages_of(client, ridden).items():
        assert OVER in page, name
    report = client.get(f"/revisions/{ridden.revision_id}/report/").content.decode()
    season = client.get(f"/vehicles/{ridden.revision.vehicle_id}/season/").content.decode()
    for page in (report, season):
        assert '<span class="badge recurred">over</span>' in page


@pytest.mark.parametrize(("volts", "subject"), [(84.0, "had 84 V; the limit of the controller is 84 V"),
                                                (82.9, "had 82.9 V, within 2 % of the limit of 84 V")])  # fmt: skip
def test_a_reading_at_or_near_the_limit_is_said_too(session, sign_in, volts, subject):
    fit_electrics(session.revision, full_v=80.0)
    Reading.objects.create(session=session, time_into_session_s=60, voltage_v=volts)
    client = sign_in("builder")
    assert f"The pack in a reading {subject}" in client.get(session.get_absolute_url()).content.decode()
    for name, page in pages_of(client, session).items():
        assert f"The pack in a reading of R1 {subject}" in page, name


def test_a_pack_that_is_full_at_the_limit_is_a_caution_before_anything_is_measured(ridden, sign_in):
    for page in pages_of(sign_in("builder"), ridden).values():
        assert "At the voltage limit of the controller." in page
        assert "The full pack has 84 V, exactly the limit of 84 V" in page
    margin = next(
        item for item in limits_of(Machine(ridden.revision), Ride()) if item.key == "controller_voltage_margin"
    )
    assert (margin.value, margin.is_over, margin.alarm.word) == (0.0, False, "at the limit")


def test_measured_at_the_limit_counts_for_more_than_a_full_pack_at_it(session):
    """14 modules of 4.2 V are 58.8 V, and 58.800000000000004 V in binary (IEEE 754-2019)."""
    fit_electrics(session.revision, full_v=4.2, highest_voltage_v=58.8, lowest_voltage_v=40.0)
    Fitting.objects.filter(part__category="battery_module").update(series=14, quantity=14)
    Session.objects.filter(pk=session.pk).update(rest_voltage_start_v=58.8)
    assert results(session).get("controller_voltage_margin").alarm.word == "over"
    assert voltages(session.revision)[1] == (58.8, "the pack at rest before a ride of R1", True)


def test_a_pack_that_does_not_wake_the_controller_is_said(session, sign_in):
    fit_electrics(session.revision, full_v=58.8)
    for name, page in pages_of(sign_in("builder"), session).items():
        assert "The full pack has 58.8 V; the controller stops at 60 V and below." in page, name


def test_far_from_the_limit_nothing_is_said(session, sign_in):
    fit_electrics(session.revision, full_v=75.6)
    Session.objects.filter(pk=session.pk).update(rest_voltage_start_v=75.0, rest_voltage_end_v=70.0)
    client = sign_in("builder")
    for page in (*pages_of(client, session).values(), client.get(session.get_absolute_url()).content.decode()):
        assert "voltage limit of" not in page
        assert "cut-off." not in page


def voltages(revision):
    line = {item.number: item for item in read_line(revision.vehicle)}
    seen = seen_voltages(revision.vehicle)
    return {number: Machine(item, seen=seen).highest_voltage for number, item in line.items()}


def test_what_was_measured_holds_for_a_planned_revision_with_the_same_pack_until_it_is_ridden(ridden, sign_in):
    Session.objects.filter(pk=ridden.pk).update(rest_voltage_start_v=86.2)
    planned = later(ridden.revision)
    assert voltages(planned)[2].voltage_v == 86.2
    page = sign_in("builder").get(f"/vehicles/{planned.vehicle_id}/bench/").content.decode()
    assert f"R2: Above the voltage limit of the controller.</strong> {OVER}" in page
    # The charger is set lower, and the next ride shows it.
    Session.objects.create(revision=planned, venue=ridden.venue, rest_voltage_start_v=81.0)
    assert voltages(planned)[2] == (84.0, "the full pack", False)
    # Another pack has voltages of its own.
    third = later(planned)
    Session.objects.filter(revision=planned).update(rest_voltage_start_v=88.0)
    assert voltages(planned)[3].voltage_v == 88.0
    third.fittings.filter(part__category="battery_module").update(series=2, quantity=2)
    assert voltages(planned)[3].voltage_v == 168.0


def test_the_bench_draws_the_nearest_limits_of_what_will_be_ridden_next(ridden, sign_in):
    client, address = sign_in("builder"), f"/vehicles/{ridden.revision.vehicle_id}/bench/"
    page = client.get(address)
    assert [bar.label for bar in page.context["nearest"]][:2] == [
        "Controller voltage", "Margin to the controller's cut-off"]  # fmt: skip
    text = page.content.decode()
    assert "The nearest of R1:" in text
    assert '84 V <span class="soft small">limit 84 V' in text
    assert '84 V <span class="soft small">at least 60 V' in text
    assert "Lithium packs can burn" in text.partition("The nearest of R1:")[2].partition("<details")[0]
    planned = later(ridden.revision)
    stronger = Part.objects.create(
        name="Controller 96 V", category="speed_controller", specification={"highest_voltage_v": 96.0}
    )
    planned.fittings.filter(part__category="speed_controller").update(part=stronger)
    text = client.get(address).content.decode()
    assert "The nearest of R2, as planned:" in text
    assert '84 V <span class="soft small">limit 96 V' in text


def logged(session, volts, degrees=None, amps=None, name="ride.csv"):
    """A log of so many volts, and of temperatures and amperes where they are given."""
    columns = {"volts": volts, "battery": degrees, "amps": amps}
    held = {name: values for name, values in columns.items() if values is not None}
    rows = "".join(
        f"{time}," + ",".join(f"{values[time]}" for values in held.values()) + "\n" for time in range(len(volts))
    )
    kept = store_log(session, SimpleUploadedFile(name, f"t,{','.join(held)}\n{rows}".encode()))
    meanings = {"volts": ("voltage_v", "V"), "battery": ("battery_temperature_c", "°C"), "amps": ("current_a", "A")}
    choices = [ColumnChoice(0, "time_s", "seconds")]
    choices += [ColumnChoice(index, *meanings[name]) for index, name in enumerate(held, 1)]
    with kept.original.open("rb") as file:
        layout = find_layout(file, kept.size_bytes).layout
    read_stored(kept, layout, Mapping(tuple(choices)))
    return kept


def test_a_log_of_volts_alone_counts_as_well(ridden, sign_in):
    logged(ridden, np.linspace(80, 85.5, 40).round(1))
    assert results(ridden).get("controller_voltage_margin").value == pytest.approx(-1.5)
    assert voltages(ridden.revision)[1] == (85.5, "the pack in a log of R1", True)
    client = sign_in("recorder")
    assert "The pack in a log of R1 had 85.5 V" in client.get(ridden.revision.get_absolute_url()).content.decode()
    page = client.get(f"/sessions/{ridden.pk}/recordings/").content.decode()
    assert "Highest voltage" in page
    assert "Voltage too high" in page


def test_a_log_exactly_at_the_limit_is_beyond_it(ridden, sign_in):
    logged(ridden, [80.0] * 20 + [84.0] * 20)
    [event] = sign_in("recorder").get(f"/sessions/{ridden.pk}/recordings/").context["events"]
    assert (event.limit.mode, event.start_s) == ("Voltage too high", 20.0)
    assert event.worst == pytest.approx(84.0)


def test_the_highest_of_a_second_log_is_not_lost_behind_the_longest(ridden):
    logged(ridden, [80.0] * 60, amps=[20.0] * 60)
    logged(ridden, [80.0] * 10 + [86.0] * 10, amps=[20.0] * 20, name="short.csv")
    assert results(ridden).get("controller_voltage_margin").value == pytest.approx(-2.0)


def test_logs_that_were_read_by_an_earlier_version_hold_their_highest_voltage_too(ridden):
    log = logged(ridden, [80.0] * 20 + [86.0] * 20, amps=[20.0] * 40, degrees=[-5.0] * 20 + [64.0] * 20)
    # That version noted no highest voltage among the facts, but the ends of every column.
    summary = log.summary
    summary["facts"] = {name: value for name, value in summary["facts"].items() if name != "highest_voltage_v"}
    summary["facts"]["battery_temperature_c"] = 64.0
    Log.objects.filter(pk=log.pk).update(summary=summary)
    facts = facts_in(Log.objects.get().summary)
    assert (facts.highest_voltage_v, facts.battery_temperature_c, facts.lowest_battery_temperature_c) == (86, 64, -5)
    assert facts.charge_ah == pytest.approx(20.0 * 39 / 3600)
    assert results(ridden).get("controller_voltage_margin").value == pytest.approx(-2.0)
    assert facts_in({"columns": {}, "facts": {}}) is None
    assert facts_in(None) is None


@pytest.mark.parametrize("volts", [[-82.0] * 40, [80.0] * 39 + [-0.3], [0.0] * 40])
def test_a_logger_that_writes_nonsense_breaks_no_page(session, sign_in, volts):
    fit_electrics(session.revision)
    Fitting.objects.filter(part__category="battery_module").delete()
    Session.objects.filter(pk=session.pk).update(rest_voltage_start_v=None, rest_voltage_end_v=None)
    logged(session, volts, amps=[20.0] * 40)
    client = sign_in("builder")
    for path in (session.get_absolute_url(), f"/sessions/{session.pk}/recordings/"):
        assert client.get(path).status_code == 200
    assert all("<h1>" in page for page in pages_of(client, session).values())


# Read, and shown


def test_every_value_of_a_reading_is_on_the_page(ridden, sign_in):
    Reading.objects.create(
        session=ridden, time_into_session_s=300, voltage_v=76.0, current_a=31.0, charge_used_ah=4.2,
        battery_temperature_c=11.0, motor_temperature_c=58.0, controller_temperature_c=77.0, distance_m=3210.0,
    )  # fmt: skip
    page = sign_in("reader").get(ridden.get_absolute_url()).content.decode()
    row = page[page.index("1 reading</summary>") : page.index("No failure is recorded in it")]
    for text in ("76 V", "31 A", "4.2 Ah", "11 °C", "58 °C", "77 °C", "3.21 km"):
        assert text in row, text


def test_a_hot_battery_reaches_its_limit_from_a_reading(ridden, sign_in):
    Reading.objects.create(session=ridden, time_into_session_s=300, battery_temperature_c=71.0)
    result = results(ridden).get("battery_temperature_margin")
    assert (result.value, result.alarm.is_over) == (pytest.approx(-11.0), True)
    page = sign_in("reader").get(ridden.get_absolute_url()).content.decode()
    assert "Hotter than the battery may be.</strong> The hottest: 71 °C. Its limit: 60 °C." in page
    assert "Battery temperature margin" in page


def test_a_hot_and_a_cold_battery_reach_their_limits_from_a_log(ridden, sign_in):
    logged(ridden, [78.0] * 40, degrees=[-24.0] * 20 + [66.0] * 20)
    report = results(ridden)
    assert report.get("battery_temperature_margin").value == pytest.approx(-6.0)
    assert report.get("battery_cold_margin").value == pytest.approx(-4.0)
    context = sign_in("recorder").get(f"/sessions/{ridden.pk}/recordings/").context
    values = {result.key: result.value for result in context["results"]}
    assert all(LOG in RESULTS[key].shown for key in values)
    assert (values["battery_temperature_margin"], values["battery_cold_margin"]) == (
        pytest.approx(-6.0),
        pytest.approx(-4.0),
    )
    assert {event.limit.mode for event in context["events"]} == {"Battery too hot", "Battery too cold"}


def test_charging_a_frozen_battery_by_braking_is_said(ridden):
    logged(ridden, [78.0] * 40, degrees=[-6.0] * 40, amps=[30.0] * 30 + [-12.0] * 10)
    result = results(ridden).get("battery_cold_charging_margin")
    assert (result.value, result.alarm.title) == (-6.0, "Colder than the battery may be while it is charged.")


@pytest.mark.parametrize(("values", "name", "words"), [
    ({"highest_temperature_c": "60", "lowest_temperature_c": "65"}, "lowest_temperature_c", "below the highest 60 °C"),
    ({"highest_temperature_c": "-60"}, "highest_temperature_c", "must be at least −50 °C"),
])  # fmt: skip
def test_the_temperatures_of_a_module_are_bounded(sign_in, values, name, words):
    good = {"name": "M", "nominal_voltage_v": "48", "full_voltage_v": "54", "empty_voltage_v": "39",
            "capacity_ah": "20"}  # fmt: skip
    client = sign_in("builder")
    answer = client.post("/parts/new/battery_module/", {**good, **values})
    assert answer.status_code == 422
    assert words in str(answer.context["form"].errors[name])
    data = {"highest_temperature_c": "140 °F", "lowest_temperature_c": "-20", "lowest_charging_temperature_c": "0"}
    assert client.post("/parts/new/battery_module/", {**good, **data}).status_code == 302
    # 140 °F is 60 °C (NIST SP 811 (2008), B.8).
    assert Part.objects.get().specification["highest_temperature_c"] == pytest.approx(60.0)
    assert Part.objects.get().specification["lowest_charging_temperature_c"] == 0.0


# On the phone, before there is a network


def test_the_limits_travel_with_the_phone(ridden, sign_in):
    motor = Part.objects.create(
        name="Motor", category="motor", specification={"highest_voltage_v": 90.0, "highest_temperature_c": 110.0}
    )
    Fitting.objects.create(revision=ridden.revision, part=motor)
    [data] = sign_in("recorder").get("/api/v1/field/").json()["revisions"]
    assert data["limits"] == {
        "highest_voltage_v": [["controller", 84.0], ["motor", 90.0]],
        "cut_off_v": 60.0,
        "highest_temperature_c": [["battery", 60.0], ["controller", 85.0], ["motor", 110.0]],
        "lowest_battery_temperature_c": -20.0,
    }


def test_a_machine_without_parts_gives_the_phone_no_limits(session, sign_in):
    [data] = sign_in("recorder").get("/api/v1/field/").json()["revisions"]
    assert data["limits"] == {
        "highest_voltage_v": [], "cut_off_v": None, "highest_temperature_c": [], "lowest_battery_temperature_c": None,
    }  # fmt: skip


# With a rider


def test_a_session_without_the_seats_place_says_what_it_needs(session, sign_in):
    page = sign_in("reader").get(session.get_absolute_url()).content.decode()
    assert "<strong>Static stability factor</strong> needs the seat&#x27;s place, forward and height" in page
    Revision.objects.filter(pk=session.revision_id).update(seat_x_m=0.8, seat_z_m=0.4)
    # By hand: 90 kg at 0.35 m, and 80 kg at 0.65 m.
    assert results(session).get("static_stability_factor").value == pytest.approx(1.2 / 2 / ((31.5 + 52) / 170))


def test_a_heavier_rider_on_a_high_seat_is_less_steady(session):
    Revision.objects.filter(pk=session.revision_id).update(seat_x_m=0.8, seat_z_m=0.4)
    light = results(session).get("static_stability_factor").value
    made = Session.objects.create(
        revision=session.revision, venue=session.venue, started_at=session.started_at + timedelta(days=1),
        rider_mass_kg=80.0, payload_kg=30.0,
    )  # fmt: skip
    assert results(made).get("static_stability_factor").value < light
