"""Formulas: arithmetic and nothing else, with units that must fit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calc.formulas import NotAFormula, read_formula, unit_of
from calc.units import quantity_in

NAMES = ["voltage", "current", "speed", "motor_temperature", "battery_temperature"]
KNOWN = {
    "voltage": quantity_in(np.array([50.0, 40.0]), "volt"),
    "current": quantity_in(np.array([2.0, -3.0]), "ampere"),
    "speed": quantity_in(np.array([5.0, 6.0]), "meter/second"),
    "motor_temperature": quantity_in(np.array([50.0, 52.0]), "degree_Celsius"),
    "battery_temperature": quantity_in(np.array([20.0, 21.0]), "degree_Celsius"),
    "brake force": quantity_in(np.array([100.0, 0.0]), "newton"),
    "time": quantity_in(np.array([0.0, 0.5]), "second"),
}


# The figures are worked out by hand; 1 Wh/km = 3.6 J/m and standard gravity 9.80665 m/s² as in NIST SP 811.
@pytest.mark.parametrize(
    ("text", "unit", "values"),
    [
        ("voltage * current", "W", [100.0, -120.0]),
        ("voltage·current", "kW", [0.1, -0.12]),
        ("voltage * current / speed", "Wh/km", [100 / 5 / 3.6, -120 / 6 / 3.6]),
        ("voltage - current * 0.05 * ohm", "V", [49.9, 40.15]),
        ("motor_temperature - battery_temperature", "K", [30.0, 31.0]),
        ("motor_temperature", "°C", [50.0, 52.0]),
        ("rate(speed)", "m/s**2", [2.0, 2.0]),
        ("rate(speed)", "g", [2 / 9.80665, 2 / 9.80665]),
        ("rate(motor_temperature)", "K/s", [4.0, 4.0]),
        ("max(current, 0)", "A", [2.0, 0.0]),
        ("min(voltage, 45*V)", "V", [45.0, 40.0]),
        ("sqrt(speed^2)", "km/h", [18.0, 21.6]),
        ("speed / (9.81 * m / s**2)", "s", [5 / 9.81, 6 / 9.81]),
        ("0.05 * ohm * current", "V", [0.1, -0.15]),
        ("abs(-current)", "A", [2.0, 3.0]),
        ("voltage**-1", "1/V", [0.02, 0.025]),
        ("speed / current", "m/s/A", [2.5, -2.0]),
    ],
)
def test_arithmetic_with_units(text, unit, values):
    assert read_formula(text, NAMES).in_unit(KNOWN, unit) == pytest.approx(values, rel=1e-12)


def test_a_file_s_own_column_stands_in_quotation_marks_and_a_division_by_zero_is_nothing_measured():
    formula = read_formula('voltage * current / "brake force"', NAMES)
    assert formula.quoted == ("brake force",)
    values = formula.in_unit(KNOWN, "m/s")
    assert values[0] == 1.0
    assert np.isnan(values[1])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "at most 200 characters"),
        ("1 + 2", "no logged value"),
        ("voltage +", "is no formula"),
        ("voltag * current", "voltag is no logged value"),
        ("__import__('os').system('true')", "is no function here"),
        ("(lambda: voltage)()", "is no function here"),
        ("voltage.real", "cannot stand in a formula"),
        ("[voltage][0]", "cannot stand in a formula"),
        ("voltage if current else speed", "cannot stand in a formula"),
        ("voltage and True", "cannot stand in a formula"),
        ("voltage < current", "cannot stand in a formula"),
        ("voltage // current", "cannot stand in a formula"),
        ("voltage ** current", "A power is a plain number"),
        ("speed ** 999999999", "A power is a plain number"),
        ("voltage * 1e300", "at most 1e15"),
        ("max(voltage)", "takes 2 to 4 values"),
        ("abs(voltage, current)", "takes 1 value."),
        ("abs(x=voltage)", "is no function here"),
        ("+".join(["voltage"] * 40), "at most 200 characters"),
        ("voltage * amps", "A unit stands behind a number"),
        ("V * voltage", "A unit stands behind a number"),
        ("voltage * A * 2", "A unit stands behind a number"),
        ("-" * 199 + "V", "at most 60 values"),
    ],
)
def test_what_is_no_arithmetic_is_refused_in_words(text, words):
    with pytest.raises(NotAFormula, match=words.replace("(", r"\(")):
        read_formula(text, NAMES)


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        ("voltage + current", "V", "cannot be added"),
        ("voltage * current", "V", "which is no V"),
        ("motor_temperature * 2", "°C", "can only have another subtracted"),
        ("voltage", "5 V", "is no unit"),
        ("voltage", "volts of mine", "is no unit"),
    ],
)
def test_units_that_do_not_fit_are_said(text, unit, words):
    with pytest.raises(NotAFormula, match=words):
        read_formula(text, NAMES).in_unit(KNOWN, unit)


@given(st.text(alphabet="voltageu current*+-/()._[]'\"0123456789eE,=<>:;@^·", max_size=60))
@settings(max_examples=300, deadline=None)
def test_whatever_is_typed_is_worked_out_or_refused_with_a_sentence(text):
    refused = ""
    try:
        read_formula(text, NAMES).in_unit(KNOWN, "V")
    except NotAFormula as error:
        refused = str(error)
    assert not refused or refused.endswith(".")


@pytest.mark.parametrize("text", ["V", "km/h", "N·m", "Nm", "%", "1/s", "Wh/km", "", "rpm"])
def test_units_people_write(text):
    unit_of(text)
