"""Speed as ratios measured in one run: `python -m tests.benchmarks`.

Each ratio sets our code against the least that the same work can cost on this machine at this moment,
so that a slow or busy machine does not change what it says. The calculations and a logger's file are measured here, a
start in `start_benchmark`, pages in `page_costs`, which says what each may cost. Ends with 1 where a goal is missed.

`python -m tests.benchmarks pages` measures pages only, with numbers behind it only those sizes; it says on the way
which page is measured. All sizes take about a quarter of an hour on a quiet machine of two cores.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np

from calc import energy
from calc.session_facts import PackFacts
from calc.session_report import evaluate
from tests import start_benchmark
from tests.calc.one_session import PassFacts, ReadingFacts, SessionFacts, table_of
from tests.page_costs import report

SESSIONS = 2_000
SAMPLES = 1_000_000


def best_of(runs: int, work: Callable[[], object]) -> float:
    seconds = []
    for _ in range(runs):
        began = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - began)
    return min(seconds)


def facts(number: int) -> SessionFacts:
    return SessionFacts(
        distance_m=8_000.0 + number,
        u_distance_m=160.0,
        runtime_s=1_200.0 + number / 10,
        charge_used_ah=8.0 + number / 1e4,
        u_charge_used_ah=0.16,
        rest_voltage_start_v=58.0,
        rest_voltage_end_v=55.0,
        air_temperature_c=-10.0,
        wind_speed_mps=3.0,
        passes=tuple(
            PassFacts(100.0, 6.0 + index / 10, 0.02, 0.01, "out" if index % 2 else "back") for index in range(6)
        ),
        readings=tuple(ReadingFacts(60.0 * index, 54.0 - index / 10, 10.0 * index) for index in range(6)),
        pack=PackFacts(58.8, 50.4, 35.0, 60.0, 3024.0),
        track_width_m=1.2,
        cg_height_m=0.5,
    )


def bare_arithmetic(columns: dict[str, np.ndarray]) -> list[np.ndarray]:
    """The same sums on arrays, with nothing checked, named, explained or made into objects."""
    speeds = columns["pass_distance"] / columns["pass_duration"]
    relative = np.hypot(0.02 / columns["pass_distance"], 0.01 / columns["pass_duration"])
    volts = columns["volts"].mean(axis=1)
    used = columns["charge"] * volts
    per_km = used / (columns["distance"] / 1000)
    left = np.maximum(0, 3024.0 - used)
    power = columns["volts"] * columns["amps"]
    amps = columns["amps"] - columns["amps"].mean(axis=1, keepdims=True)
    slope = (amps * columns["volts"]).sum(axis=1) / (amps**2).sum(axis=1)
    chill = 3.6 * (speeds.mean(axis=1) + 3.0)
    return [
        speeds.mean(axis=1),
        speeds.max(axis=1),
        (speeds * relative).max(axis=1),
        (speeds[:, ::2].max(axis=1) + speeds[:, 1::2].max(axis=1)) / 2,
        columns["distance"] / columns["runtime"],
        per_km,
        per_km * np.hypot(0.02, 160 / columns["distance"]),
        1000 * 3024 * 0.8 / per_km,
        1000 * left * 0.8 / per_km,
        500 * left * 0.8 / per_km,
        used / (columns["runtime"] / 3600),
        power.max(axis=1),
        columns["amps"].max(axis=1) / 60,
        58.0 - columns["volts"].min(axis=1),
        slope,
        13.12 - 6.215 - 11.37 * chill**0.16 - 3.965 * chill**0.16,
    ]


def sessions_ratio() -> float:
    """Our working on columns against the bare sums."""
    table = table_of([facts(number) for number in range(SESSIONS)])
    shape = (SESSIONS, 6)
    columns = {
        "pass_distance": table.passes["distance_m"].reshape(shape),
        "pass_duration": table.passes["duration_s"].reshape(shape),
        "volts": table.readings["voltage_v"].reshape(shape),
        "amps": table.readings["current_a"].reshape(shape),
        "charge": table.facts["charge_used_ah"],
        "distance": table.facts["distance_m"],
        "runtime": table.facts["runtime_s"],
    }
    bare = best_of(30, lambda: bare_arithmetic(columns))
    evaluate(table)
    return best_of(10, lambda: evaluate(table)) / bare


def log_ratio() -> float:
    chance = np.random.default_rng(1)
    time_s = np.cumsum(chance.uniform(0.05, 0.15, SAMPLES))
    voltage_v, current_a = chance.uniform(48, 58, SAMPLES), chance.uniform(-20, 120, SAMPLES)
    ours = best_of(7, lambda: energy.energy_wh(time_s, voltage_v, current_a))
    bare = best_of(7, lambda: np.trapezoid(voltage_v * current_a, time_s))
    return ours / bare


def main() -> None:
    print(f"{SESSIONS} sessions worked out in one call, against the bare sums on arrays: {sessions_ratio():.1f} times")
    print(f"a log of {SAMPLES} samples, against numpy.trapezoid on the same arrays: {log_ratio():.2f} times")


def judged(goals_missed: list[str]) -> int:
    """Say which goals are missed, and return how many."""
    for sentence in goals_missed:
        print(f"Goal missed: {sentence}")
    return len(goals_missed)


def run(arguments: list[str]) -> int:
    """How many goals are missed."""
    if arguments[:1] == ["pages"]:
        return judged(report.run([int(size) for size in arguments[1:]] or report.SIZES))
    main()
    missed = judged([*start_benchmark.run(), *report.run()])
    # In a process of its own, whose memory it measures.
    return missed + subprocess.call([sys.executable, "-m", "tests.log_benchmarks"])


if __name__ == "__main__":
    sys.exit(1 if run(sys.argv[1:]) else 0)
