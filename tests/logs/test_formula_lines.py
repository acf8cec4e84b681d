"""Formulas of a machine as lines over its logs."""

import csv

import numpy as np
import pytest

from sessions.logs import charts
from sessions.logs.formula_variables import NAMES
from sessions.logs.meanings import CELL, DATE, MEANINGS, OTHER
from sessions.logs.timeline import Timeline
from sessions.models import FormulaChannel
from tests.filled_forms import opened
from tests.logs.packed_lines import unpacked
from tests.logs.test_recordings import ride


def lines(session):
    with Timeline(session, session.logs.all()) as timeline:
        every = charts.lines_of(timeline)
        own = [line for line in every if line.trace.is_formula]
        return own, charts.points_of(own, "metric"), [line.trace.series() for line in own]


def test_every_measured_column_has_a_name_in_formulas():
    assert set(NAMES.values()) == {meaning.column for meaning in MEANINGS} - {DATE, CELL, OTHER}


def test_power_by_voltage_and_current_is_drawn_in_its_unit(session, vehicle, sign_in):
    ride(session)
    FormulaChannel.objects.create(vehicle=vehicle, name="Pull", formula="voltage * current", unit="kW")
    FormulaChannel.objects.create(vehicle=vehicle, name="Warmth", formula="motor_temperature", unit="°C")
    [line], [(_, watts)], _ = lines(session)
    assert (line.panel, line.unit) == ("Pull", "kW")
    assert watts[0] == pytest.approx((54 - 0.05 * 60) * 60 / 1000, abs=1e-3)
    client = sign_in("reader")
    page = client.get(f"/sessions/{session.pk}/recordings/")
    assert "Pull, kW" in [panel["title"] for panel in page.context["charts"]["panels"]["panels"]]
    window = client.get(f"/sessions/{session.pk}/recordings/window/?from_s=0&to_s=10").json()["lines"]
    assert unpacked(window[-1])[1][0] == pytest.approx(watts[0])


def test_a_slice_has_the_formulas_beside_what_was_measured(session, vehicle, sign_in, monkeypatch):
    """In groups of seven rows: a rate at the end of one rests on the first row of the next."""
    monkeypatch.setattr("sessions.logs.columns.GROUP_ROWS", 7)
    kept = ride(session)
    FormulaChannel.objects.create(vehicle=vehicle, name="=Pull, net", formula="voltage * current", unit="kW")
    FormulaChannel.objects.create(vehicle=vehicle, name="Push", formula="rate(speed)", unit="m/s**2")
    FormulaChannel.objects.create(vehicle=vehicle, name="Warmth", formula="motor_temperature", unit="°C")
    client = sign_in("reader")
    text = b"".join(client.get(f"/sessions/logs/{kept.pk}/slice/").streaming_content).decode()
    rows = list(csv.DictReader(text.splitlines()))
    assert [name for name in rows[0] if "Warmth" in name] == []
    volts, amperes, speed = (
        np.array([float(row[name]) for row in rows])
        for name in ("pack voltage [volt]", "pack current [ampere]", "speed over ground [meter/second]")
    )
    times = np.array([float(row["time into the session [s]"]) for row in rows])
    pull = [float(row["'=Pull, net [kW]"]) for row in rows]
    assert pull == pytest.approx(volts * amperes / 1000, rel=1e-9)
    # numpy.gradient knows nothing of blocks.
    assert [float(row["Push [m/s**2]"]) for row in rows] == pytest.approx(np.gradient(speed, times), abs=1e-9)


def test_a_rate_rests_on_its_neighbours_and_a_long_log_shows_every_peak(session, vehicle, monkeypatch):
    ride(session, seconds=3000)
    FormulaChannel.objects.create(vehicle=vehicle, name="Push", formula="rate(speed)", unit="m/s**2")
    _, [(row_times, from_rows)], [series] = lines(session)
    speed = 6 + 3 * np.sin(series.time_s / 11) + 2 * np.sin(series.time_s / 5.3)
    away = (series.time_s < 95) | (series.time_s > 115)
    assert series.values[away][1:-1] == pytest.approx(np.gradient(speed, series.time_s)[away][1:-1], abs=2e-4)
    # By extremes worked out for a log that is too long to be read whole.
    monkeypatch.setattr(charts, "MOST_ROWS_READ", 10)
    _, [(times, by_extremes)], _ = lines(session)
    assert max(by_extremes) == max(from_rows) == pytest.approx(float(series.values.max()), abs=1e-3)
    assert min(by_extremes) == min(from_rows)
    assert (times[0], times[-1]) == (row_times[0], row_times[-1])


def test_a_formula_that_a_log_cannot_give_is_no_line(session, vehicle):
    ride(session)
    for name, formula in (("A", '"brake force" * speed'), ("B", "motor_current * voltage")):
        FormulaChannel.objects.create(vehicle=vehicle, name=name, formula=formula, unit="W")
    assert lines(session) == ([], [], [])


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({"formula": "voltage * amps"}, "formula", "amps is no logged value"),
        ({"formula": "voltage + current"}, "unit", "cannot be added"),
        ({"unit": "m"}, "unit", "The formula gives"),
        ({"formula": "open('x')"}, "formula", "is no function here"),
        ({"name": ""}, "name", "required"),
    ],
)
def test_a_slip_names_its_field_and_nothing_typed_is_lost(typed, field, words, vehicle, sign_in):
    client = sign_in("builder")
    page = f"/vehicles/{vehicle.pk}/new-formula/"
    good = {"name": "Pull", "formula": "voltage*current", "unit": "W"}
    answer = client.post(page, {**opened(client, page), **good, **typed})
    assert answer.status_code == 422
    assert words in " ".join(answer.context["form"].errors[field])
    answer = client.post("/api/v1/formula-channels/", {"vehicle": str(vehicle.pk), **good, **typed}, "application/json")
    assert answer.status_code == 400
    assert field in answer.json()


def test_a_formula_is_made_and_its_name_is_its_own(vehicle, sign_in):
    client = sign_in("builder")
    page = f"/vehicles/{vehicle.pk}/new-formula/"
    form = {**opened(client, page), "name": "Pull", "formula": "voltage × current", "unit": "kW"}
    assert client.post(page, form).status_code == 302
    assert FormulaChannel.objects.get().formula == "voltage * current"
    assert client.post(page, form).status_code == 422
