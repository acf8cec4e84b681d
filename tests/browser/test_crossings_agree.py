"""The phone and the server find the same passes in the same tracks, and the phone's hold what they state."""

from __future__ import annotations

import numpy as np
import pytest

from calc.crossings import gate_passes
from calc.geodesy import local_metres
from tests.simulations.satellite_rides import GATE_M, Regime, draw_ride, draw_standing_start

REGIMES = [Regime(speed, gives) for gives in (True, False) for speed in (3.0, 10.0, 25.0)]


def as_track(ride):
    columns = {"time_s": ride.time_s, "east_m": ride.east_m, "north_m": ride.north_m,
               "mark_east_m": ride.mark_east_m, "mark_north_m": ride.mark_north_m}  # fmt: skip
    track = {name: np.asarray(values).tolist() for name, values in columns.items()}
    speeds = None if ride.speed_mps is None else ride.speed_mps.tolist()
    return track | {
        "mark_distance_m": [0.0, 40.0, GATE_M], "speed_mps": speeds, "accuracy_m": ride.accuracy_m,
        "u_mark_m": ride.u_mark_m,
    }  # fmt: skip


def found_by_both(script, track):
    in_python = gate_passes(**track)
    in_script = script("(track) => crossings.gatePasses(track)", track)
    assert len(in_script) == len(in_python)
    for item, other in zip(in_script, in_python, strict=True):
        assert (item["is_out"], tuple(item["doubts"]), item["uses_speed"], item["is_standing"]) == (
            other.is_out, other.doubts, other.uses_speed, other.is_standing
        )  # fmt: skip
        assert item["mark_s"] == pytest.approx(other.mark_s, abs=1e-6)
        assert item["u_duration_s"] == pytest.approx(other.u_duration_s, rel=1e-6)
    return in_python


@pytest.mark.parametrize("regime", REGIMES, ids=str)
@pytest.mark.parametrize("seed", range(3))
def test_both_find_the_same_passes_on_a_simulated_ride(script, regime, seed):
    ride = draw_ride(regime, 500 + seed)
    passes = found_by_both(script, as_track(ride))
    assert len(passes) >= 3


@pytest.mark.parametrize("gives_speed", [True, False])
def test_both_doubt_and_bridge_the_same_gaps(script, gives_speed):
    """Fixes that are missing here and there, speeds that are missing, and a ride to and fro."""
    ride = draw_ride(Regime(10.0, gives_speed), 41)
    track = as_track(ride)
    draws = np.random.default_rng(41)
    kept = draws.random(len(track["time_s"])) > 0.25
    for name in ("time_s", "east_m", "north_m"):
        track[name] = [value for value, keep in zip(track[name], kept, strict=True) if keep]
    if gives_speed:
        speeds = [value for value, keep in zip(track["speed_mps"], kept, strict=True) if keep]
        missing = draws.random(len(speeds)) < 0.2
        track["speed_mps"] = [float("nan") if gone else value for value, gone in zip(speeds, missing, strict=True)]
        in_script = track | {"speed_mps": [None if np.isnan(value) else value for value in track["speed_mps"]]}
        assert [item["mark_s"] for item in script("(track) => crossings.gatePasses(track)", in_script)] == [
            pytest.approx(gate_pass.mark_s, abs=1e-6) for gate_pass in gate_passes(**track)
        ]
    else:
        found_by_both(script, track)
    assert any("gap" in gate_pass.doubts for gate_pass in gate_passes(**track))


@pytest.mark.parametrize("gives_speed", [True, False])
@pytest.mark.parametrize("seed", range(3))
def test_both_find_the_same_standing_starts(script, gives_speed, seed):
    ride = draw_standing_start(1.5, 12.0, gives_speed, 700 + seed)
    passes = found_by_both(script, as_track(ride))
    if gives_speed:
        assert [gate_pass.is_standing for gate_pass in passes] == [True]


def test_both_lay_the_same_plane(script):
    latitudes, longitudes = [61.05, 61.052, 61.049], [24.9, 24.903, 24.88]
    plane = local_metres(latitudes, longitudes)
    middle = (min(latitudes) + max(latitudes)) / 2
    places = script(
        "([middle, origin, rows]) => { const at = crossings.localPlane(middle, origin);"
        " return rows.map(([latitude, longitude]) => at(latitude, longitude)); }",
        [middle, longitudes[0], list(zip(latitudes, longitudes, strict=True))],
    )
    for place, east_m, north_m in zip(places, plane.east_m, plane.north_m, strict=True):
        assert place["east_m"] == pytest.approx(east_m, abs=1e-6)
        assert place["north_m"] - places[0]["north_m"] == pytest.approx(north_m, abs=1e-6)


def test_the_constants_are_those_of_the_server():
    import re
    from pathlib import Path

    from calc import crossings, gate_rides, standing_starts

    source = (Path(__file__).parents[2] / "static/field/crossings.js").read_text()
    for name, value in re.findall(r"const ([A-Z_]+) = ([\d.]+);", source):
        values = {getattr(module, name) for module in (crossings, gate_rides, standing_starts) if hasattr(module, name)}
        assert values == {float(value)}, name
