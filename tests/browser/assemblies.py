"""Whole answers of the field page, worked out a second way: energy left, turn-back and what they rest on.

The rules are said once more here, with the library uncertainties 3.2.3 in the place of any propagation of our own: each
source of error is one variable, wherever it occurs. `python -m tests.browser.assemblies` writes assemblies.json, which
the page's own module must answer alike (test_energy_agrees.py), and so must the server where it has the same facts.
"""

import json
import math
from pathlib import Path

import numpy as np
from scipy import stats
from uncertainties import ufloat

FILE = Path(__file__).parent / "assemblies.json"
# Chen et al., J. Electrochem. Soc. 167 (2020) 080534, evaluated with pybamm 26.10.1.1; 14 cells in series.
CHARGES = [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0]
CELL_V = [2.5, 3.295907, 3.485189, 3.581446, 3.667007, 3.750874, 3.840577, 3.947906, 4.04208, 4.096656, 4.2]
VOLTS = [14 * volts for volts in CELL_V]
PACK = {
    "energy_wh": 2419.2,
    "u_energy_wh": 120.96,
    "u_cold_share": 1 / 3,
    "nominal_voltage_v": 50.4,
    "curve": {"state_of_charge": CHARGES, "voltage_v": VOLTS},
}
ASSUMPTIONS = {
    "reserve_fraction": 0.2,
    "u_distance_fraction": 0.02,
    "u_charge_fraction": 0.02,
    "u_voltage_v": 0.1,
    "u_rest_charge_fraction": 0.05,
    "cold_loss_per_c_fraction": 0.005,
}
EARLIER = {"wh_per_km": 55.0, "u_wh_per_km": 6.0, "sessions": 3}
HERE = {"seen_m": 0.0, "unseen_m": 0.0, "open_m": 0.0, "home_m": 0.0}
NO_TRACK = HERE | {"home_m": None}
OUT = {"seen_m": 8300.0, "unseen_m": 0.0, "open_m": 0.0, "home_m": 8300.0}


def reading(number, **values):
    """A reading with the way as it was then."""
    return {"id": str(number), "seen_m": 0.0, "unseen_m": 0.0, "whole": False, **values}


def loaded(*pairs):
    return [reading(10 + i, voltage_v=volts, current_a=amperes) for i, (volts, amperes) in enumerate(pairs)]


SIX = reading(1, charge_used_ah=6.0, distance_m=5000.0)
FACTS = {
    "no pack": {"pack": None},
    "nothing read, at the start": {},
    "nothing read, 8.3 km out": {"way": OUT},
    "nothing read, no track, 12 min at 12 m/s": {"way": NO_TRACK | {"unseen_m": 8640.0}},
    "nothing read, nothing known of a kilometre": {"way": OUT, "earlier": None},
    "read at home": {"readings": [SIX]},
    "read at home, then 8.3 km straight out": {"readings": [SIX], "way": OUT},
    "read at home, then 60 km": {"readings": [SIX], "way": OUT | {"seen_m": 60000.0, "home_m": 30000.0}},
    "read without a track": {"readings": [SIX], "way": NO_TRACK},
    "read without a track, 12 min ago": {"readings": [SIX], "way": NO_TRACK | {"unseen_m": 8640.0}},
    "read, then 45 s without a position at 11 m/s": {
        "readings": [SIX],
        "way": OUT | {"unseen_m": 495.0, "open_m": 495.0, "home_m": 8795.0},
    },
    "charge without a distance, no earlier ride": {
        "readings": [reading(1, charge_used_ah=6.0)],
        "earlier": None,
        "way": OUT,
    },
    "charge without a distance, earlier rides": {"readings": [reading(1, charge_used_ah=6.0)], "way": OUT},
    "charge without a distance, the track from the start": {
        "readings": [reading(1, charge_used_ah=6.0, seen_m=5000.0, whole=True)],
        "way": OUT | {"seen_m": 7000.0, "home_m": 2000.0},
        "earlier": None,
    },
    "less than a kilometre tells nothing yet": {
        "readings": [reading(1, charge_used_ah=0.5, distance_m=900.0)],
    },
    "the trip counter read again since": {
        "readings": [SIX, reading(2, distance_m=9000.0, seen_m=0.0, unseen_m=8640.0)],
        "way": NO_TRACK | {"unseen_m": 8640.0},
    },
    "the track began after the reading": {
        "readings": [SIX],
        "way": {"seen_m": 2000.0, "unseen_m": 1200.0, "open_m": 0.0, "home_m": 8200.0},
    },
    "the trip counter went back": {
        "readings": [SIX, reading(2, charge_used_ah=9.0, distance_m=2000.0, seen_m=2100.0)],
        "way": OUT,
    },
    "a slip of the trip counter": {
        "readings": [
            reading(1, charge_used_ah=6.0, distance_m=50000.0),
            reading(2, charge_used_ah=7.0, distance_m=6000.0),
        ],
        "way": HERE,
    },
    "the charge counter was reset": {
        "readings": [SIX, reading(2, charge_used_ah=2.0, distance_m=8000.0, seen_m=3000.0)],
        "way": OUT,
    },
    "the charge counter fell by braking": {
        "readings": [SIX, reading(2, charge_used_ah=5.9, distance_m=6000.0, seen_m=1000.0)],
        "way": OUT,
    },
    "rest voltage before": {"readings": [SIX], "rest_voltage_start_v": 56.3, "way": OUT},
    "rest voltage of another pack": {"readings": [SIX], "rest_voltage_start_v": 80.0},
    "one voltage under load": {"readings": [SIX, *loaded((50.1, 40.0))], "way": OUT},
    "two voltages under load": {"readings": [SIX, *loaded((50.9, 20.0), (49.9, 45.0))], "way": OUT},
    "two alike": {"readings": [SIX, *loaded((50.0, 20.0), (50.0, 45.0))], "way": OUT},
    "four voltages under load": {
        "readings": [SIX, *loaded((50.9, 20.0), (49.9, 45.0), (48.7, 80.0), (50.2, 30.0), (54.0, 0.0))],
        "rest_voltage_start_v": 57.1,
        "way": OUT,
    },
    "in the cold": {"readings": [SIX], "air_temperature_c": -15.0, "way": OUT},
    "a warm pack in the cold": {
        "readings": [SIX],
        "air_temperature_c": -15.0,
        "battery_temperatures": [["1", 18.0], ["2", 12.0]],
        "rest_voltage_start_v": 57.1,
        "way": OUT,
    },
    "at the reserve": {"readings": [reading(1, charge_used_ah=38.4, distance_m=35000.0)]},
    "more used than there was": {"readings": [reading(1, charge_used_ah=60.0, distance_m=35000.0)], "way": OUT},
    "a charge in doubt that gives less": {
        "readings": [SIX, reading(2, charge_used_ah=16.0, distance_m=6000.0, seen_m=1000.0)],
        "doubted": {"2": ["charge_used_ah"]},
        "way": OUT,
    },
    "a charge in doubt that gives more": {
        "readings": [SIX, reading(2, charge_used_ah=6.1, distance_m=16000.0, seen_m=1000.0)],
        "doubted": {"2": ["distance_m", "charge_used_ah"]},
        "way": OUT,
    },
    "without what is in doubt nothing is known of a kilometre": {
        "readings": [SIX],
        "doubted": {"1": ["charge_used_ah", "distance_m"]},
        "earlier": None,
        "way": OUT,
    },
    "a rest voltage in doubt": {
        "readings": [SIX],
        "rest_voltage_start_v": 50.0,
        "doubted": {"session": ["rest_voltage_start_v"]},
        "way": OUT,
    },
    "a rest voltage in doubt that gives more": {
        "readings": [SIX, *loaded((52.9, 20.0), (53.1, 45.0))],
        "rest_voltage_start_v": 58.7,
        "doubted": {"session": ["rest_voltage_start_v"], "10": ["voltage_v"]},
        "way": OUT,
    },
    "a warmth in doubt": {
        "readings": [SIX],
        "air_temperature_c": 15.0,
        "battery_temperatures": [["1", 40.0]],
        "doubted": {"1": ["battery_temperature_c"]},
        "way": OUT,
    },
    "a frost in doubt": {"readings": [SIX], "air_temperature_c": -40.0, "doubted": {"session": ["air_temperature_c"]}},
    "lower was said since the same readings": {
        "readings": [SIX],
        "way": OUT,
        "lowest": {"since": "1/1/0", "turn_m": 4321.0},
    },
    "lower was said before another reading": {
        "readings": [SIX],
        "way": OUT,
        "lowest": {"since": "0/0/0", "turn_m": 4321.0},
    },
}


def given(name):
    base = {
        "pack": PACK,
        "assumptions": ASSUMPTIONS,
        "earlier": EARLIER,
        "rest_voltage_start_v": None,
        "air_temperature_c": None,
        "battery_temperatures": [],
        "doubted": {},
        "readings": [],
        "way": HERE,
        "lowest": None,
    }
    return base | FACTS[name]


def totals(readings, name, reset_below):
    """What a counter has counted in all at each reading, and how often it was set to zero until then."""
    rows, before, last, resets = [], 0.0, None, 0
    for row in readings:
        value = row.get(name)
        if value is not None:
            if last is not None and last > 0 and value < reset_below * last:
                before, resets = before + last, resets + 1
            last = value
        rows.append((value is not None, None if last is None else before + last, resets))
    return rows


def upper_way(seen_m, unseen_m, u_fraction, name):
    return ufloat(seen_m + unseen_m, math.hypot(u_fraction * seen_m, unseen_m / math.sqrt(12)), name)


def unknown_where_doubted(facts):
    """The same facts as if nobody had noted what is in doubt."""
    doubted = facts["doubted"]
    kept = dict.fromkeys(doubted.get("session", []))
    readings = [
        {name: value for name, value in row.items() if name not in doubted.get(row["id"], [])}
        for row in facts["readings"]
    ]
    warm = [row for row in facts["battery_temperatures"] if "battery_temperature_c" not in doubted.get(row[0], [])]
    return facts | kept | {"readings": readings, "battery_temperatures": warm}


def answer(facts):
    """What the page must say: the lower of with and without what is in doubt, or nothing where one has none."""
    whole = plain_answer(facts)
    if not any(facts["doubted"].values()):
        return whole
    beyond = plain_answer(unknown_where_doubted(facts))
    for part in ("left", "turn"):
        both = [text[part] for text in (whole, beyond)]
        whole = whole | {part: None if None in both else min(both, key=lambda item: item["value"])}
    return whole


def plain_answer(facts):
    """Values and standard uncertainties, and which evidence was chosen, whatever is in doubt."""
    pack, known, readings, way = facts["pack"], facts["assumptions"], facts["readings"], facts["way"]
    if pack is None:
        return {"left": None, "turn": None}
    holds, meter_v = ufloat(1.0, pack["u_energy_wh"] / pack["energy_wh"]), ufloat(0.0, known["u_voltage_v"])
    counter, tape = ufloat(1.0, known["u_charge_fraction"]), ufloat(1.0, known["u_distance_fraction"])
    full_wh = pack["energy_wh"] * holds

    began_wh, rest_v = full_wh * ufloat(1.0, known["u_rest_charge_fraction"]), facts["rest_voltage_start_v"]
    if rest_v is not None and 0.99 * VOLTS[0] <= rest_v <= 1.01 * VOLTS[-1]:
        at, step = float(np.interp(rest_v, VOLTS, CHARGES)), known["u_voltage_v"]
        slope = (np.interp(rest_v + step, VOLTS, CHARGES) - np.interp(rest_v - step, VOLTS, CHARGES)) / (2 * step)
        began_wh = full_wh * (at + ufloat(0.0, known["u_rest_charge_fraction"]) + slope * meter_v)

    # The lowest temperature of the battery, or else that of the air; a third of what it holds back is not known.
    temperatures = [value for _, value in facts["battery_temperatures"]] or [facts["air_temperature_c"]]
    below = max(0.0, 25.0 - min(temperatures)) if None not in temperatures else 0.0
    held_back = known["cold_loss_per_c_fraction"] * below
    began_wh = began_wh - full_wh * held_back * (ufloat(1.0, pack["u_cold_share"]) if held_back else 1.0)

    volts = [row["voltage_v"] for row in readings if row.get("current_a", 0) > 0 and "voltage_v" in row]
    mean_v = ufloat(pack["nominal_voltage_v"], 0.04 * pack["nominal_voltage_v"])
    if len(volts) >= 2:
        scatter = max(float(np.std(volts, ddof=1)), known["u_voltage_v"]) / math.sqrt(len(volts))
        wide = scatter * stats.t.ppf(0.975, len(volts) - 1) / stats.norm.ppf(0.975)
        mean_v = ufloat(float(np.mean(volts)), wide) + meter_v

    charges, distances = totals(readings, "charge_used_ah", 0.5), totals(readings, "distance_m", 1.0)
    read_at = max((i for i, row in enumerate(charges) if row[0]), default=None)
    used_ah = 0.0 if read_at is None else max(0.0, charges[read_at][1])
    read_wh = began_wh - used_ah * counter * mean_v

    rides = []
    for row, (has_charge, charge_ah, resets), (has_distance, distance_m, others) in zip(
        readings, charges, distances, strict=True
    ):
        ridden_m = distance_m if has_distance else row["seen_m"] if row["whole"] else 0.0
        if has_charge and charge_ah > 0 and ridden_m >= 1000:
            rides.append((1000 * charge_ah * counter * mean_v / (ridden_m * tape), resets + others))
    earlier = facts["earlier"]
    before = [] if earlier is None else [ufloat(earlier["wh_per_km"], earlier["u_wh_per_km"])]
    if not rides:
        possible = before
    elif not rides[-1][1]:
        possible = [rides[-1][0]]
    else:
        possible = [rides[-1][0], *[value for value, resets in rides if not resets][-1:], *before]
    per_km = max(possible, key=lambda value: value.nominal_value, default=None)

    def all_ridden():
        read = max((i for i, row in enumerate(distances) if row[0]), default=None)
        if read is None:
            return way["seen_m"], way["unseen_m"]
        return (distances[read][1] + way["seen_m"] - readings[read]["seen_m"],
                way["unseen_m"] - readings[read]["unseen_m"])  # fmt: skip

    then = {"seen_m": 0.0, "unseen_m": 0.0} if read_at is None else readings[read_at]
    by_way = (way["seen_m"] - then["seen_m"], way["unseen_m"] - then["unseen_m"])
    since = by_way
    if any(row[0] for row in distances[(-1 if read_at is None else read_at) + 1 :]):
        seen_m, unseen_m = all_ridden()
        known_then_m = 0.0 if read_at is None else distances[read_at][1] or 0.0
        by_counter = (seen_m - known_then_m, unseen_m)
        exact = read_at is None or distances[read_at][0]
        since = by_counter if exact else min(by_way, by_counter, key=sum)
    if per_km is None:
        left = max(0.0, read_wh.nominal_value)
        return {"left": {"value": left, "u": read_wh.std_dev}, "turn": None, "at_most": sum(since) > 0}

    # What is counted on the way and the way home are wrong together: the same satellite, the same speed.
    drift = ufloat(0.0, 1.0)

    def with_drift(seen_m, unseen_m):
        return seen_m + unseen_m + drift * math.hypot(known["u_distance_fraction"] * seen_m, unseen_m / math.sqrt(12))

    left_wh = read_wh - per_km * with_drift(*since) / 1000
    # Less than nothing is not left; what it might be spreads all the same.
    left_wh = left_wh + max(0.0, -left_wh.nominal_value)
    seen_m, unseen_m = all_ridden()
    upper = per_km.nominal_value + 2 * per_km.std_dev
    home = {"by": "ridden", "distance_m": seen_m + unseen_m, "wh_per_km": upper}
    far_m = with_drift(seen_m, unseen_m)
    if way["home_m"] is not None and way["home_m"] * per_km.nominal_value <= home["distance_m"] * upper:
        home = {"by": "track", "distance_m": way["home_m"], "wh_per_km": per_km.nominal_value}
        far_m = with_drift(way["home_m"] - way["open_m"], way["open_m"])
    home_per_km = per_km + (home["wh_per_km"] - per_km.nominal_value)
    spare_wh = left_wh - known["reserve_fraction"] * full_wh - home_per_km * far_m / 1000
    both = per_km + home_per_km
    turn_m = 1000 * spare_wh / both
    if turn_m.nominal_value < 0:
        # The sensitivities are those of standing at the turning point.
        turn_m = 1000 * spare_wh / both.nominal_value
    said_m = max(0.0, turn_m.nominal_value)
    lowest = facts["lowest"]
    ids = [readings[i]["id"] if i is not None else "" for i in (
        read_at, max((i for i, row in enumerate(distances) if row[0]), default=None))]  # fmt: skip
    if lowest is not None and lowest["since"] == "/".join([*ids, str(len(volts))]):
        said_m = min(said_m, lowest["turn_m"])
    return {
        "left": {"value": left_wh.nominal_value, "u": left_wh.std_dev},
        "turn": {"value": said_m, "u": turn_m.std_dev},
        "consumption": {"value": per_km.nominal_value, "u": per_km.std_dev},
        "home": home,
        "at_most": False,
    }


def cases():
    return [{"name": name, "facts": given(name), "expected": answer(given(name))} for name in FACTS]


def written():
    """The file's text: a case a line."""
    source = "tests/browser/assemblies.py, with uncertainties 3.2.3 and scipy 1.17"
    lines = ",\n".join(json.dumps(case) for case in cases())
    return f'{{"source": "{source}", "cases": [\n{lines}\n]}}\n'


if __name__ == "__main__":
    FILE.write_text(written())
