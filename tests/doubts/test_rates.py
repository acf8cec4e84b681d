"""How often plausible sessions are doubted, and how often a slip is noticed: a small run of the simulation."""

import ast
from pathlib import Path

import numpy as np
import pytest

from tests.doubts.plausible import draw
from tests.doubts.slips_made import LOG_SLIPS, SLIPS_MADE
from tests.simulations.doubts import LEAST_NOTICED, MOST_DOUBTED, noticed, plausible
from tests.simulations.tables import TABLES, Rate

MADE = [*SLIPS_MADE, *LOG_SLIPS]
SESSIONS = 600


@pytest.fixture(scope="module")
def counts():
    return noticed(20261127, SESSIONS)


@pytest.mark.parametrize("noted", [1.0, 0.5])
def test_hardly_any_plausible_session_is_doubted(noted):
    counts = np.sum([plausible(seed, noted) for seed in range(4)], axis=0)
    assert not Rate("doubted", int(counts[0]), int(counts[1]), most=MOST_DOUBTED).misses_goal_beyond_chance


@pytest.mark.parametrize("index", range(len(MADE)), ids=[made.name for made in MADE])
def test_a_single_slip_is_noticed(index, counts):
    made, (seen, of) = MADE[index], counts[index]
    assert of > 50
    least = 0.0 if made.by_nature else LEAST_NOTICED
    assert not Rate("noticed", seen, of, least=least).misses_goal_beyond_chance, f"{seen} of {of}"


def test_the_generator_and_its_slips_know_nothing_of_the_rules():
    for name in ("plausible.py", "slips_made.py"):
        for node in ast.walk(ast.parse((Path(__file__).parent / name).read_text())):
            if isinstance(node, ast.ImportFrom):
                assert node.module in ("dataclasses", "tests.doubts.plausible")
            elif isinstance(node, ast.Import):
                assert [alias.name for alias in node.names] == ["numpy"]


def test_machines_and_rides_are_of_many_kinds():
    outing = draw(np.random.default_rng(3), 5000)
    assert outing.truth["nominal_v"].min() < 16
    assert outing.truth["nominal_v"].max() > 360
    assert np.nanmin(outing.session["distance_m"]) < 400
    assert np.nanmax(outing.session["distance_m"]) > 40_000
    assert np.nanmin(outing.session["air_temperature_c"]) < -33
    assert np.nanmax(outing.session["air_temperature_c"]) > 27
    assert np.nanmin(outing.session["rider_mass_kg"]) < 32
    assert np.nanmax(outing.session["rider_mass_kg"]) > 158


def test_the_table_of_both_rates_is_printed_by_the_command():
    rows = list(TABLES["doubts"](25, map))
    assert "plausible sessions, everything was noted" in rows[0][0]
    assert len(rows) == 2 + len(MADE)
