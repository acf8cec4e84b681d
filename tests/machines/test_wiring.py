"""The electrical chain of a revision: strings, cables, fuses, charger, motor."""

import pytest

from buildlog.machines.machine import Machine
from buildlog.machines.wiring import Wiring
from buildlog.machines.wiring_results import wiring_results
from buildlog.models import Fitting, Part, Revision
from tests.filled_forms import opened

MODULE = {
    "nominal_voltage_v": 50.4, "full_voltage_v": 58.8, "empty_voltage_v": 35.0, "capacity_ah": 12.0,
    "continuous_current_a": 30.0, "resistance_ohm": 0.06,
}  # fmt: skip
CONTROLLER = {
    "highest_voltage_v": 72.0, "lowest_voltage_v": 40.0, "continuous_current_a": 50.0, "peak_current_a": 120.0,
    "regeneration_current_a": 20.0, "capacitance_uf": 2200.0,
}  # fmt: skip
SMALL = {"full_voltage_v": 12.6, "nominal_voltage_v": 10.8, "empty_voltage_v": 7.5}
CABLE = {"section_mm2": 10.0, "length_m": 2.0}


def fit(revision, category, specification, quantity=1, **wired):
    part = Part.objects.create(
        name=f"{category} {Part.objects.count()}", category=category, specification=specification
    )
    return Fitting.objects.create(revision=revision, part=part, quantity=quantity, **wired)


@pytest.fixture
def chain(revision):
    fit(revision, "battery_module", MODULE, 2, series=1, parallel=2)
    fit(revision, "speed_controller", CONTROLLER)
    fit(revision, "cable", CABLE)
    fit(revision, "fuse", {"rated_current_a": 55.0})
    return revision


def built(revision):
    """As it is stored now."""
    return Machine.in_line(Revision.objects.select_related("vehicle").get(pk=revision.pk))


def result(revision, key):
    return next(row for row in wiring_results(built(revision)) if row.key == key)


def test_a_sound_chain_raises_no_alarm(chain):
    fit(chain, "charger", {"output_voltage_v": 58.8, "charging_current_a": 5.0})
    fit(chain, "motor", {"motor_constant_rpm_per_v": 60.0, "highest_speed_rpm": 4000.0})
    assert [row.alarm for row in wiring_results(built(chain)) if row.alarm] == []
    # 50 A through 2 m of 10 mm² class 5 at 70 °C (IEC 60228): 50 × 0.00382 Ω × 1.1965 = 0.2285 V.
    assert result(chain, "cable_voltage_drop").value == pytest.approx(0.2285, abs=1e-4)
    assert result(chain, "fuse_under_cable").value == pytest.approx(57.0 - 55.0)
    assert result(chain, "fuse_over_load").value == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("category", "specification", "key", "words"),
    [
        ("cable", {"section_mm2": 4.0, "length_m": 1.0}, "fuse_under_cable", "The cable is under its fuse."),
        ("cable", {"section_mm2": 4.0, "length_m": 1.0}, "cable_current_margin", "A cable carries more than it may."),
        ("fuse", {"rated_current_a": 30.0}, "fuse_over_load", "The fuse is smaller than its load."),
        ("charger", {"output_voltage_v": 67.2}, "charger_margin", "The charger charges too high."),
        ("motor", {"motor_constant_rpm_per_v": 90.0, "highest_speed_rpm": 5000.0}, "motor_speed_margin",
         "The motor can turn faster than it may."),
        ("speed_controller", CONTROLLER | {"highest_voltage_v": 59.0}, "regeneration_margin",
         "Braking into a full pack passes the controller's limit."),
        ("speed_controller", CONTROLLER | {"lowest_voltage_v": 45.0, "peak_current_a": 240.0}, "sag_margin",
         "It cuts out at its peak."),
        ("fuse", {"rated_current_a": 55.0, "fuse_kind": "gg"}, "fuse_overload_margin",
         "An overload heats the cable too far before its fuse opens."),
        ("fuse", {"rated_current_a": 55.0, "breaking_capacity_a": 1000.0}, "fuse_breaking_margin",
         "The fuse cannot break a short circuit."),
        ("motor", {"peak_power_w": 6000.0, "peak_time_s": 20.0}, "motor_power_margin",
         "The motor gets more than its peak power."),
        ("motor", {"peak_current_a": 110.0}, "motor_peak_current_margin",
         "The motor gets more than its peak current."),
        ("motor", {"continuous_power_w": 2000.0}, "motor_continuous_margin",
         "The controller can hold more than the motor stands for long."),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_said(chain, category, specification, key, words):
    fit(chain, category, specification)
    assert result(chain, key).alarm.title == words


def test_what_is_not_known_is_no_alarm_and_says_what_it_needs(revision):
    rows = wiring_results(built(revision))
    assert all(row.value is None and row.needs for row in rows)


def test_a_makers_rating_comes_before_the_table(chain):
    fit(chain, "cable", {"section_mm2": 4.0, "length_m": 1.0, "continuous_current_a": 90.0})
    assert result(chain, "fuse_under_cable").alarm is None


def test_several_kinds_of_modules_are_added_up_only_by_numbered_strings(chain):
    other = fit(chain, "battery_module", MODULE | {"capacity_ah": 20.0}, 1, series=1, parallel=1)
    assert built(chain).pack is None
    assert "number of their string" in built(chain).pack_needs
    Fitting.objects.filter(revision=chain, part__category="battery_module").exclude(pk=other.pk).update(string=1)
    Fitting.objects.filter(pk=other.pk).update(string=2)
    machine = built(chain)
    assert machine.pack.capacity_ah == pytest.approx(2 * 12.0 + 20.0)
    assert machine.pack.full_voltage_v == pytest.approx(58.8)
    # Strings of 0.03 and 0.06 Ω share 90 A two to one (Kirchhoff).
    assert Wiring(machine).string_currents_a(90.0) == pytest.approx([60.0, 30.0])
    other.part.specification |= {"full_voltage_v": 67.2}
    other.part.save()
    assert built(chain).pack is None
    assert "same voltage" in built(chain).pack_needs


def test_modules_in_series_of_one_string_add_their_voltages(chain):
    other = fit(chain, "battery_module", MODULE | SMALL, 1, series=1, parallel=1, string=1)
    Fitting.objects.filter(revision=chain, part__category="battery_module").exclude(pk=other.pk).update(string=1)
    facts = built(chain).pack
    assert (facts.full_voltage_v, facts.capacity_ah) == pytest.approx((71.4, 12.0))


def test_which_wirings_of_the_modules_at_hand_fit(chain):
    choices = Wiring(built(chain)).choices
    assert [(row.series, row.parallel, row.fits, row.is_today) for row in choices] == [
        (1, 2, True, True),
        (2, 1, False, False),
    ]
    assert choices[1].margin_v == pytest.approx(72.0 - 117.6)


def test_a_motor_is_used_within_its_ratings_and_their_times(chain):
    """By hand: 50 A at 50.4 V are 2520 W for long; 120 A on a full pack of 0.0323 Ω bring 120 × 54.93 V = 6592 W."""
    motor = fit(chain, "motor", {"continuous_power_w": 2000.0, "peak_power_w": 7000.0, "peak_time_s": 20.0}).part
    assert result(chain, "motor_continuous_margin").value == pytest.approx(2000 - 2520)
    assert "this load for 20 s" in result(chain, "motor_continuous_margin").alarm.sentence
    ohm = 0.03 + 2 * 1.91e-3 * 304.5 / 254.5
    assert result(chain, "motor_power_margin").value == pytest.approx(7000 - 120 * (58.8 - ohm * 120), abs=0.5)
    assert result(chain, "motor_power_margin").alarm is None
    # What is not stated is no alarm, and does not stand for anything.
    assert result(chain, "motor_peak_time_margin").value is None
    part = Part.objects.get(category="speed_controller")
    part.specification |= {"peak_time_s": 60.0}
    part.save()
    assert result(chain, "motor_peak_time_margin").value == pytest.approx(-40.0)
    assert "stands its own for 20 s" in result(chain, "motor_peak_time_margin").alarm.sentence
    # A peak that the motor stands continuously needs no time.
    motor.specification |= {"continuous_power_w": 6800.0}
    motor.save()
    assert result(chain, "motor_peak_time_margin").value is None
    assert result(chain, "motor_continuous_margin").alarm is None
    motor.specification = {"continuous_power_w": 2000.0}
    motor.save()
    assert "for a time that is not known" in result(chain, "motor_continuous_margin").alarm.sentence


def test_two_motors_share_the_load_and_a_phase_current_is_compared_as_such(chain):
    fit(chain, "motor", {"continuous_power_w": 1300.0, "peak_current_a": 70.0}, 2)
    assert result(chain, "motor_continuous_margin").value == pytest.approx(2600 - 2520)
    assert result(chain, "motor_peak_current_margin").value == pytest.approx(140 - 120)
    assert "in the phases it is higher" in result(chain, "motor_peak_current_margin").method
    part = Part.objects.get(category="speed_controller")
    part.specification |= {"phase_current_a": 300.0}
    part.save()
    assert result(chain, "motor_peak_current_margin").alarm.sentence.startswith("The controllers drive 300 A through")


def test_each_kind_of_fuse_has_its_own_curve_and_an_unknown_one_none(chain):
    """A short circuit of the full pack of 0.03 Ω through 2 m of 10 mm²: 1700 A, which the cable stands 0.45 s."""
    fuse = Part.objects.get(category="fuse")
    assert result(chain, "short_circuit_margin").value is None
    assert "a fuse with its kind" in result(chain, "short_circuit_margin").needs[0]
    stands_s = (115 * 10 / (58.8 / (0.03 + 2 * 1.91e-3 * 304.5 / 254.5))) ** 2
    for specification, opens_s, by in (
        ({"fuse_kind": "blade"}, 0.15, "by ISO 8820-3"),
        ({"fuse_kind": "gg"}, 0.1, "by IEC 60269"),
        ({"fuse_kind": "other", "opens_at_2_times_s": 9.0, "opens_at_6_times_s": 0.2}, 0.2, "by its data sheet"),
    ):
        fuse.specification = {"rated_current_a": 55.0} | specification
        fuse.save()
        short = result(chain, "short_circuit_margin")
        assert short.value == pytest.approx(stands_s - opens_s, abs=1e-6)
        assert by in short.method
    fuse.specification = {"rated_current_a": 55.0, "fuse_kind": "other"}
    fuse.save()
    assert result(chain, "short_circuit_margin").value is None
    assert result(chain, "fuse_overload_margin").value is None
    assert result(chain, "fuse_under_cable").value == pytest.approx(2.0)


def test_the_kind_of_a_fuse_is_chosen_by_form_and_interface(db, sign_in):
    client = sign_in("builder")
    path = "/parts/new/fuse/"
    form = opened(client, path) | {
        "name": "Main",
        "rated_current_a": "100",
        "fuse_kind": "gg",
        "opens_at_2_times_s": "5",
    }
    assert client.post(path, form).status_code == 302
    part = Part.objects.get(category="fuse")
    assert part.specification == {"rated_current_a": 100.0, "fuse_kind": "gg", "opens_at_2_times_s": 5.0}
    text = client.get(part.get_absolute_url()).content.decode()
    assert "gG (IEC 60269)" in text
    assert "Opens within, at 2 times its rating" in text
    heading = client.get("/parts/?export=csv").content.decode().splitlines()[0].split(",")
    assert len(heading) == len(set(heading))
    path = f"/parts/{part.pk}/edit/"
    client.post(path, opened(client, path) | {"fuse_kind": ""})
    part.refresh_from_db()
    assert "fuse_kind" not in part.specification
    body = {"name": "Second", "category": "fuse", "specification": {"rated_current_a": 40, "fuse_kind": "glass"}}
    answer = client.post("/api/v1/parts/", body, content_type="application/json")
    assert answer.status_code == 400
    assert "none of its choices: blade, gg, other" in answer.json()["specification"]["fuse_kind"][0]
    body["specification"] = {"rated_current_a": 40, "opens_at_2_times_s": 0.2, "opens_at_6_times_s": 5}
    answer = client.post("/api/v1/parts/", body, content_type="application/json")
    assert "opens sooner" in answer.json()["specification"]["opens_at_6_times_s"][0]


def test_a_precharge_resistor_is_typed_and_shown_in_ohms(chain, sign_in):
    """A bare 100 is 100 Ω; internal resistances stay in mΩ."""
    client = sign_in("builder")
    path = "/parts/new/precharge/"
    assert client.post(path, opened(client, path) | {"name": "Wirewound", "resistance_ohm": "100"}).status_code == 302
    part = Part.objects.get(category="precharge")
    assert part.specification == {"resistance_ohm": 100.0}
    Fitting.objects.create(revision=chain, part=part)
    assert "100 Ω" in client.get(f"/revisions/{chain.pk}/wiring/").content.decode()
    assert "60 mΩ" in client.get(Part.objects.get(category="battery_module").get_absolute_url()).content.decode()
