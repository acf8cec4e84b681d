"""Rules over a session: its facts, and what they are compared with."""

from __future__ import annotations

from calc.doubts.energy_rules import ENERGY_RULES
from calc.doubts.ride_rules import RIDE_RULES
from calc.doubts.rules import Fact, Subject
from calc.doubts.surroundings import MACHINE, TIMES

FACTS = (
    Fact("runtime_s", "runtime", "runtime"),
    Fact("distance_m", "distance", "trip", more_slips=("counter not reset",)),
    Fact("charge_used_ah", "charge used", "charge"),
    Fact("energy_used_wh", "energy used", "energy"),
    Fact("recharge_energy_wh", "energy to recharge", "energy"),
    Fact("rest_voltage_start_v", "rest voltage before", "voltage", more_slips=("cell voltage",)),
    Fact("rest_voltage_end_v", "rest voltage after", "voltage", more_slips=("cell voltage",)),
    Fact("rider_mass_kg", "rider", "mass"),
    Fact("payload_kg", "payload", "mass"),
    Fact("air_temperature_c", "air temperature", "temperature", signed=True),
    Fact("wind_speed_mps", "wind", "speed"),
    Fact("ice_thickness_cm", "ice thickness", "thickness"),
    Fact("started_at", "start", "days", without_slips=True),
    Fact("ended_at", "end", "days", without_slips=True),
)
CONTEXT = (
    *MACHINE,
    *TIMES,
    Fact("elapsed_s", "from start to end", "runtime"),
    Fact("last_event_s", "the last thing noted", "runtime"),
    Fact("best_pass_mps", "the fastest pass", "speed"),
    Fact("on_ice", "ridden on ice or snow", "count"),
    Fact("previous_distance_m", "the distance of the session before", "trip"),
    Fact("last_reading_distance_m", "the last reading of distance", "trip"),
    Fact("last_reading_charge_ah", "the last reading of charge", "charge"),
    Fact("track_length_m", "the satellite track", "trip"),
    Fact("log_energy_wh", "the log's energy", "energy"),
    Fact("log_charge_ah", "the log's charge", "charge"),
    Fact("log_duration_s", "the log", "runtime"),
)
SESSION = Subject("session", FACTS, CONTEXT, (*RIDE_RULES, *ENERGY_RULES))
