"""A whole session worked out: every number that its facts allow, and what the others need.

Each result says which evidence it rests on and what would improve it. What cannot be worked out is
listed with what is missing; it is never shown as zero, and never left out in silence.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from calc import endurance, energy, pack, speed, stability, weather
from calc.declaration import Measured
from calc.session_facts import PassFacts, SessionFacts
from calc.session_limits import electrical_limits
from calc.session_sheet import Missing, Result, Sheet

ICE_SPEED = "Speed on ice: a long, clear run-out, a helmet and a kill switch. Local rules decide."
COME_HOME = "Cold, wind and soft snow shorten it. Turn back before it says so, and carry what you need to walk home."
TIPPING = "A rigid machine on even ground. Ruts, edges and a leaning rider tip it well below this."
COLD = "Cover all skin, and watch each other's faces for white patches."


@dataclass(frozen=True)
class SessionReport:
    results: tuple[Result, ...]
    missing: tuple[Missing, ...]

    def get(self, key: str) -> Result | None:
        return next((result for result in self.results if result.key == key), None)


def evaluate(facts: SessionFacts) -> SessionReport:
    """Work one session out.

    Parameters
    ----------
    facts: what is known; see calc.session_facts.

    Returns
    -------
    SessionReport, results in the order in which a rider asks for them.

    Raises
    ------
    ValueError: a fact is impossible, such as a distance below zero; it is named.

    Examples
    --------
    >>> report = evaluate(SessionFacts(distance_m=10000.0, energy_used_wh=400.0))
    >>> report.get("energy_per_distance").value
    40.0
    >>> [missing.needs for missing in report.missing if missing.key == "average_gate_speed"]
    [('a pass that counts',)]
    """
    sheet = Sheet(facts)
    for work in _WORK:
        work(sheet)
    return SessionReport(tuple(sheet.results), tuple(sheet.missing))


def evaluate_all(all_facts: Sequence[SessionFacts]) -> list[SessionReport]:
    """Work many sessions out, in their order."""
    return [evaluate(facts) for facts in all_facts]


def _pass_speeds(passes: Sequence[PassFacts]) -> Measured:
    return speed.gate_speed(
        np.array([run.distance_m for run in passes]),
        np.array([run.duration_s for run in passes]),
        np.array([run.u_distance_m for run in passes]),
        np.array([run.u_duration_s for run in passes]),
    )


def _speeds(sheet: Sheet) -> None:
    passes = sheet.facts.passes
    labels = {
        "average_gate_speed": "Mean gate speed",
        "best_gate_speed": "Best gate speed",
        "two_way_mean_speed": "Two-way mean speed",
        "peak_speed": "Peak speed in a gate",
    }
    if not passes:
        for key, label in labels.items():
            sheet.lacks(key, label, a_pass_that_counts=None)
        return
    speeds = _pass_speeds(passes)
    count = len(passes)
    # A gate's distance is wrong by the same share in every pass; only the timing averages out.
    shared = max(run.u_distance_m / run.distance_m for run in passes)
    timing = np.array(
        [value * run.u_duration_s / run.duration_s for value, run in zip(speeds.value, passes, strict=True)]
    )
    mean = float(np.mean(speeds.value))
    u_mean = float(np.hypot(np.sqrt(np.sum(timing**2)) / count, mean * shared))
    spread = f", spread {3.6 * float(np.std(speeds.value, ddof=1)):.1f} km/h" if count > 1 else ""
    sheet.add(
        "average_gate_speed", labels["average_gate_speed"], "speed", (mean, u_mean),
        f"Mean of {count} {'pass' if count == 1 else 'passes'} that count{'s' if count == 1 else ''}{spread}.",
        "speed.gate_speed",
        improve="" if count > 3 else "More passes, both ways, tell more.",
    )  # fmt: skip
    best = int(np.argmax(speeds.value))
    sheet.add(
        "best_gate_speed", labels["best_gate_speed"], "speed", (speeds.value[best], speeds.u[best]),
        f"Fastest of {count}; the fastest of several is helped by luck.", "speed.gate_speed", caution=ICE_SPEED,
    )  # fmt: skip
    _two_way(sheet, labels["two_way_mean_speed"], speeds)
    _peak(sheet, labels["peak_speed"])


def _two_way(sheet: Sheet, label: str, speeds: Measured) -> None:
    directions = [run.direction for run in sheet.facts.passes]
    best = {}
    for way in ("out", "back"):
        indices = [index for index, direction in enumerate(directions) if direction == way]
        best[way] = max(indices, key=lambda index: speeds.value[index], default=None)
    out, back = best["out"], best["back"]
    if sheet.lacks("two_way_mean_speed", label, a_pass_out=out, a_pass_back=back):
        return
    mean = speed.two_way_mean(speeds.value[out], speeds.value[back], speeds.u[out], speeds.u[back])
    sheet.add(
        "two_way_mean_speed", label, "speed", mean,
        "Mean of the best pass out and the best pass back; a steady wind mostly cancels.", "speed.two_way_mean",
    )  # fmt: skip


def _peak(sheet: Sheet, label: str) -> None:
    profiles = []
    for run in sheet.facts.passes:
        if len(run.mark_positions_m) >= 3 and len(run.mark_times_s) == len(run.mark_positions_m):
            u_mark_s = run.u_duration_s / np.sqrt(2.0)
            profiles.append(
                speed.split_profile(
                    np.array(run.mark_positions_m), np.array(run.mark_times_s), u_time_s=float(u_mark_s)
                )
            )
    if sheet.lacks("peak_speed", label, a_pass_timed_at_three_marks_or_more=profiles or None):
        return
    best = max(profiles, key=lambda profile: profile.peak_mps)
    sheet.add(
        "peak_speed", label, "speed", (best.peak_mps, best.u_peak_mps),
        "Faster end of the best pass with three marks or more, constant acceleration between them.",
        "speed.split_profile", improve="More marks, or a light gate, sharpen it.", caution=ICE_SPEED,
    )  # fmt: skip


def _charge(sheet: Sheet) -> None:
    facts, label = sheet.facts, "Charge used"
    rest = _rest_charge(facts)
    if facts.log is not None:
        value = energy.charge_ah(facts.log.time_s, facts.log.current_a)
        sheet.add("charge_used", label, "charge", value, "Current integrated over the log.", "energy.charge_ah",
                  evidence="integrated log")  # fmt: skip
    elif facts.charge_used_ah is not None:
        sheet.add("charge_used", label, "charge", (facts.charge_used_ah, facts.u_charge_used_ah),
                  "Read off a counter.", "energy.charge_ah", evidence="meter")  # fmt: skip
    elif rest is not None:
        sheet.add("charge_used", label, "charge", rest,
                  "Rest voltages before and after, through the assumed rest-voltage curve of the pack.",
                  "pack.state_of_charge", evidence="rest-voltage curve",
                  improve="A charge counter or a log would be far better.")  # fmt: skip
    else:
        sheet.lacks("charge_used", label, charge_counter_or_log_or_rest_voltages_before_and_after_with_a_pack=None)


def _rest_charge(facts: SessionFacts) -> Measured | None:
    start, end = _rest_state(facts, facts.rest_voltage_start_v), _rest_state(facts, facts.rest_voltage_end_v)
    if facts.pack is None or start is None or end is None or start <= end:
        return None
    u_fraction = np.sqrt(2.0) * facts.u_rest_charge_fraction
    return Measured((start - end) * facts.pack.capacity_ah, float(u_fraction) * facts.pack.capacity_ah)


def _rest_state(facts: SessionFacts, rest_voltage_v: float | None) -> float | None:
    if facts.pack is None or facts.pack.curve is None or rest_voltage_v is None:
        return None
    try:
        return float(pack.state_of_charge(rest_voltage_v, facts.pack.curve))
    except ValueError:
        # A rest voltage outside this pack's curve belongs to another pack, or was not at rest.
        return None


def _energy(sheet: Sheet) -> None:
    facts, label = sheet.facts, "Energy used"
    used, volts = sheet.by_key.get("charge_used"), _mean_voltage(sheet)
    if facts.log is not None:
        value = energy.energy_wh(facts.log.time_s, facts.log.voltage_v, facts.log.current_a)
        sheet.add("energy_used", label, "energy", value, "Power integrated over the log.", "energy.energy_wh",
                  evidence="integrated log")  # fmt: skip
    elif facts.energy_used_wh is not None:
        sheet.add("energy_used", label, "energy", (facts.energy_used_wh, facts.u_energy_used_wh),
                  "Read off a meter.", "energy.energy_from_meter", evidence="meter")  # fmt: skip
    elif used is not None and volts is not None:
        product = energy.energy_from_charge(max(used.value, 0.0), volts[0], used.u or 0.0, volts[1])
        evidence = "charge × mean voltage" if used.evidence == "meter" else "rest-voltage curve"
        sheet.add("energy_used", label, "energy", product,
                  f"Charge used ({used.evidence}) times {volts[2]}.", "energy.energy_from_charge", evidence=evidence,
                  improve="An energy meter or a log would settle it.")  # fmt: skip
    else:
        sheet.lacks("energy_used", label, energy_meter_or_charge_used=None if used is None else 1,
                    voltage_readings_or_rest_voltages_or_a_pack=volts)  # fmt: skip


def _mean_voltage(sheet: Sheet) -> tuple[float, float, str] | None:
    """Mean voltage of the ride, its standard uncertainty, and in words where it comes from."""
    facts = sheet.facts
    loaded = [reading for reading in sheet.readings_with("voltage_v", "current_a") if (reading.current_a or 0) > 0]
    if len(loaded) >= 2:
        volts = np.array([reading.voltage_v for reading in loaded])
        u = float(np.hypot(volts.std(ddof=1) / np.sqrt(volts.size), facts.u_voltage_v))
        return float(volts.mean()), u, f"the mean of {volts.size} voltage readings under load"
    if facts.rest_voltage_start_v is not None and facts.rest_voltage_end_v is not None:
        mean = (facts.rest_voltage_start_v + facts.rest_voltage_end_v) / 2
        # Under load it sags below the rest voltage by an unknown few per cent.
        return mean, 0.03 * mean, "the mean of the rest voltages, which is a little high"
    if facts.pack is not None:
        return facts.pack.nominal_voltage_v, 0.04 * facts.pack.nominal_voltage_v, "the pack's nominal voltage"
    return None


def _per_distance(sheet: Sheet) -> None:
    facts = sheet.facts
    used: Any = sheet.by_key.get("energy_used")
    if not sheet.lacks(
        "average_speed", "Mean speed of the ride", distance_ridden=facts.distance_m, runtime=facts.runtime_s
    ):
        mean = speed.gate_speed(facts.distance_m, facts.runtime_s, facts.u_distance_m, 0.0)
        sheet.add(
            "average_speed", "Mean speed of the ride", "speed", mean, "Distance over runtime.", "speed.gate_speed"
        )
    if not sheet.lacks("energy_per_distance", "Energy per km", distance_ridden=facts.distance_m, energy_used=used):
        measured = energy.energy_per_distance(max(used.value, 0.0), facts.distance_m, used.u or 0.0, facts.u_distance_m)
        sheet.add("energy_per_distance", "Energy per km", "consumption", measured,
                  f"Energy used ({used.evidence}) over the distance ridden.", "energy.energy_per_distance",
                  evidence=used.evidence)  # fmt: skip
    if not sheet.lacks("mean_power", "Mean power", runtime=facts.runtime_s, energy_used=used):
        hours = facts.runtime_s / 3600.0
        sheet.add("mean_power", "Mean power", "power", (used.value / hours, None if used.u is None else used.u / hours),
                  "Energy used over the runtime.", "energy.energy_wh", evidence=used.evidence)  # fmt: skip


def _endurance(sheet: Sheet) -> None:
    facts, consumption = sheet.facts, sheet.by_key.get("energy_per_distance")
    usable: Any = facts.pack.energy_wh if facts.pack is not None else None
    per_km: Any = consumption.value if consumption is not None and consumption.value > 0 else None
    u_per_km = (consumption.u or 0.0) if consumption is not None else 0.0
    reserve = f"{100 * facts.reserve_fraction:.0f} % reserve"
    if not sheet.lacks("range", "Range of a full pack", a_battery_pack_on_the_revision=usable, energy_per_km=per_km):
        measured = endurance.remaining_range(usable, facts.reserve_fraction, per_km, 0.05 * usable, u_per_km)
        sheet.add("range", "Range of a full pack", "trip", measured,
                  f"Nominal pack energy less {reserve}, at this session's energy per km.", "endurance.remaining_range",
                  caution=COME_HOME)  # fmt: skip
    left: Any = _energy_left(sheet)
    if sheet.lacks("energy_left", "Energy left", a_battery_pack_on_the_revision=usable,
                   energy_used_or_rest_voltage_after=left):  # fmt: skip
        return
    value, u, how, evidence = left
    sheet.add("energy_left", "Energy left", "energy", (value, u), how, "endurance.energy_left_wh", evidence=evidence)
    at_least: Any = value if value > 0 else None
    if not sheet.lacks("remaining_range", "Remaining range", energy_left_above_zero=at_least, energy_per_km=per_km):
        measured = endurance.remaining_range(value, facts.reserve_fraction, per_km, u, u_per_km)
        sheet.add("remaining_range", "Remaining range", "trip", measured, f"Energy left less {reserve}.",
                  "endurance.remaining_range", caution=COME_HOME)  # fmt: skip
        # The same consumption both ways: nothing in a session says what the way home will cost.
        turn = endurance.turn_back_distance(
            value, facts.reserve_fraction, per_km, per_km, u, u_per_km, u_per_km, consumption_correlation=1.0
        )
        sheet.add("turn_back_distance", "Turn-back distance", "trip", turn,
                  f"Half of what is left less {reserve}; into the wind it is shorter.", "endurance.turn_back_distance",
                  caution=COME_HOME)  # fmt: skip
    power = sheet.value("mean_power")
    if not sheet.lacks("runtime_left", "Remaining runtime", mean_power=power if power and power > 0 else None):
        sheet.add("runtime_left", "Remaining runtime", "runtime",
                  endurance.runtime_s(value, facts.reserve_fraction, power),
                  f"Energy left less {reserve}, at the mean power.", "endurance.runtime_s")  # fmt: skip


def _energy_left(sheet: Sheet) -> tuple[float, float, str, str] | None:
    facts, used = sheet.facts, sheet.by_key.get("energy_used")
    if facts.pack is None:
        return None
    state = _rest_state(facts, facts.rest_voltage_end_v)
    if state is not None:
        u = facts.u_rest_charge_fraction * facts.pack.energy_wh
        return state * facts.pack.energy_wh, u, "Rest voltage after, through the assumed curve.", "rest-voltage curve"
    if used is None:
        return None
    start = _rest_state(facts, facts.rest_voltage_start_v)
    began = "from its rest voltage before" if start is not None else "taken as full at the start"
    full = facts.pack.energy_wh * (1.0 if start is None else start)
    u = float(np.hypot(facts.u_rest_charge_fraction * facts.pack.energy_wh, used.u or 0.0))
    left = endurance.energy_left_wh(full, max(used.value, 0.0)) if full > 0 else 0.0
    return left, u, f"Pack {began}, less the energy used.", used.evidence


def _air(sheet: Sheet) -> None:
    facts, label, ridden = sheet.facts, "Wind chill at ride speed", sheet.value("average_gate_speed")
    at_speed = ridden if ridden is not None else sheet.value("average_speed")
    if sheet.lacks("wind_chill", label, air_temperature=facts.air_temperature_c, a_speed=at_speed):
        return
    wind_kmh = weather.ride_wind_kmh(at_speed, facts.wind_speed_mps or 0.0)
    if not (-60 <= facts.air_temperature_c <= 10 and 5 <= wind_kmh <= 250):
        sheet.lacks("wind_chill", label, air_at_or_below_10_degrees_and_air_speed_of_5_to_250_kmh=None)
        return
    chill = weather.wind_chill_c(facts.air_temperature_c, wind_kmh)
    still = "" if facts.wind_speed_mps is not None else "; no wind was recorded"
    sheet.add("wind_chill", label, "temperature", chill,
              f"Air speed {wind_kmh:.0f} km/h, straight into the wind{still}.",
              "weather.wind_chill_c", caution=f"{weather.frostbite(chill).capitalize()}. {COLD}")  # fmt: skip


def _tipping(sheet: Sheet) -> None:
    facts = sheet.facts
    if not sheet.lacks("static_stability_factor", "Static stability factor", track_width=facts.track_width_m,
                       height_of_the_centre_of_gravity_with_rider=facts.cg_height_m):  # fmt: skip
        sheet.add("static_stability_factor", "Static stability factor", "ratio",
                  stability.static_stability_factor(facts.track_width_m, facts.cg_height_m),
                  "Half the track width over the height of the centre of gravity, with rider.",
                  "stability.static_stability_factor", caution=TIPPING)  # fmt: skip
    if facts.single_contact and not sheet.lacks(
        "tip_over_threshold", "Tip-over threshold, three contacts", track_width=facts.track_width_m,
        wheelbase=facts.wheelbase_m, place_of_the_centre_of_gravity_with_rider=facts.cg_forward_m,
        height_of_the_centre_of_gravity_with_rider=facts.cg_height_m,
    ):  # fmt: skip
        from_single = facts.cg_forward_m if facts.single_contact == "rear" else facts.wheelbase_m - facts.cg_forward_m
        if not 0 <= from_single <= facts.wheelbase_m:
            sheet.lacks("tip_over_threshold", "Tip-over threshold, three contacts",
                        a_centre_of_gravity_between_the_contacts=None)  # fmt: skip
            return
        sheet.add("tip_over_threshold", "Tip-over threshold, three contacts", "ratio",
                  stability.three_contact_threshold_g(
                      facts.track_width_m, facts.cg_height_m, facts.wheelbase_m, from_single),
                  "In g, sideways on level ground, with rider.", "stability.three_contact_threshold_g",
                  caution=TIPPING)  # fmt: skip


_WORK: tuple[Callable[[Sheet], None], ...] = (
    _speeds,
    _charge,
    _energy,
    _per_distance,
    _endurance,
    electrical_limits,
    _air,
    _tipping,
)
