"""The electrical chain of a revision: strings, cables, fuses, charger, motor."""

import pytest

from buildlog.machines.machine import Machine
from buildlog.machines.wiring import Wiring
from buildlog.machines.wiring_results import wiring_results
from buildlog.models import Fitting, Part, Revision

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
