"""Many sessions' facts side by side in columns, so that each calculation runs once for all of them.

Not known is NaN here, and stays NaN through every sum; `calc.session_sheet` turns it back into a
result that is missing, with what it needs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from calc.pack import StateOfChargeCurve
from calc.session_facts import BuildFacts, LogFacts

FACTS = (
    "distance_m",
    "u_distance_m",
    "runtime_s",
    "charge_used_ah",
    "u_charge_used_ah",
    "energy_used_wh",
    "u_energy_used_wh",
    "rest_voltage_start_v",
    "rest_voltage_end_v",
    "u_voltage_v",
    "u_charge_fraction",
    "u_rest_charge_fraction",
    "cold_loss_per_c_fraction",
    "reserve_fraction",
    "air_temperature_c",
    "wind_speed_mps",
    "cg_height_m",
    "cg_forward_m",
)
_PACK = (
    "full_voltage_v",
    "nominal_voltage_v",
    "empty_voltage_v",
    "capacity_ah",
    "energy_wh",
    "continuous_current_a",
    "highest_temperature_c",
    "lowest_temperature_c",
    "lowest_charging_temperature_c",
)
_LIMITS = ("highest_voltage_v", "lowest_voltage_v", "continuous_current_a", "highest_temperature_c")
_PASS = ("distance_m", "duration_s", "u_distance_m", "u_duration_s")
_LOG = (
    "charge_ah",
    "u_charge_ah",
    "returned_ah",
    "energy_wh",
    "u_energy_wh",
    "peak_power_w",
    "highest_current_a",
    "lowest_voltage_v",
    "highest_voltage_v",
    "resistance_ohm",
    "u_resistance_ohm",
    "motor_temperature_c",
    "controller_temperature_c",
    "battery_temperature_c",
    "lowest_battery_temperature_c",
)
READING_COLUMNS = (
    "voltage_v",
    "current_a",
    "motor_temperature_c",
    "controller_temperature_c",
    "battery_temperature_c",
)
"""What of a reading is worked with, side by side."""


class Split(NamedTuple):
    """One pass timed at three marks or more; u_distance_m is that of its gate's whole length."""

    session: int
    positions_m: Any
    times_s: Any
    u_time_s: float
    u_distance_m: float = 0.0


def _columns(rows: Sequence[Any], names: tuple[str, ...]) -> dict[str, Any]:
    return {
        name: np.array([None if row is None else getattr(row, name) for row in rows], dtype=np.float64)
        for name in names
    }


def _taken(columns: dict[str, Any], places: Any) -> dict[str, Any]:
    return {name: column[places] for name, column in columns.items()}


class SessionTable:
    """The facts of many sessions: 1-D arrays, NaN for what is not known.

    Parameters
    ----------
    facts: a column for each known name of `FACTS`, one value for each session; other names raise ValueError.
    builds: the revisions that were ridden.
    build: the place in `builds` of each session's revision, integers; -1 where nothing is known of it.
    cg_needs: what lacks for the centre of gravity with rider, in words, for each session; "" where it is known.
    passes: columns `distance_m`, `duration_s`, `u_distance_m`, `u_duration_s` of the passes that count.
    pass_session, pass_is_out: whose session each pass is, in order, and whether it was ridden out.
    pass_gate: a number for the gate of each pass; one tape measured it for all of its passes. One gate where not given.
    splits: passes timed at three marks or more.
    readings, reading_session: the columns of `READING_COLUMNS`, and whose they are, in order.
    logs: what the logs of each session say together.
    """

    def __init__(
        self,
        count: int,
        facts: Mapping[str, Any],
        *,
        builds: Sequence[BuildFacts] = (),
        build: Any = None,
        cg_needs: Sequence[str] | None = None,
        passes: Mapping[str, Any] | None = None,
        pass_session: Any = (),
        pass_is_out: Any = (),
        pass_gate: Any | None = None,
        splits: Sequence[Split] = (),
        readings: Mapping[str, Any] | None = None,
        reading_session: Any = (),
        logs: Sequence[LogFacts | None] | None = None,
    ) -> None:
        unknown = set(facts) - set(FACTS)
        if unknown:
            raise ValueError(f"facts has columns that nothing reads: {', '.join(sorted(unknown))}")
        self.count = count
        nothing = np.full(count, np.nan)
        self.facts: dict[str, Any] = {name: facts.get(name, nothing) for name in FACTS}
        self._describe(builds, np.full(count, -1) if build is None else np.asarray(build, dtype=np.intp))
        self.cg_needs = [""] * count if cg_needs is None else list(cg_needs)
        self.passes = {name: np.asarray((passes or {}).get(name, ()), dtype=np.float64) for name in _PASS}
        self.pass_session = np.asarray(pass_session, dtype=np.intp)
        self.pass_is_out = np.asarray(pass_is_out, dtype=bool)
        one_gate = np.zeros(self.pass_session.size, dtype=np.intp)
        self.pass_gate = one_gate if pass_gate is None else np.asarray(pass_gate, dtype=np.intp)
        self.splits = list(splits)
        self.readings = {name: np.asarray((readings or {}).get(name, ()), dtype=np.float64) for name in READING_COLUMNS}
        self.reading_session = np.asarray(reading_session, dtype=np.intp)
        self.log = _columns([None] * count if logs is None else logs, _LOG)
        self.log_rests_on = [(log.rests_on if log is not None else None) or "" for log in logs or ()] or [""] * count

    def _describe(self, builds: Sequence[BuildFacts], build: Any) -> None:
        """What is known of each session's machine; the build after the last is the unknown one."""
        every = [*builds, BuildFacts()]
        self.pack = _taken(_columns([facts.pack for facts in every], _PACK), build)
        self.controller = _taken(_columns([facts.controller for facts in every], _LIMITS), build)
        self.motor = _taken(_columns([facts.motor for facts in every], _LIMITS), build)
        self.facts |= _taken(_columns(every, ("track_width_m", "wheelbase_m")), build)
        self.single_contact = np.array([facts.single_contact for facts in every], dtype="U5")[build]
        self.curves: list[tuple[StateOfChargeCurve, Any]] = [
            (facts.pack.curve, np.flatnonzero(build == place))
            for place, facts in enumerate(builds)
            if facts.pack is not None and facts.pack.curve is not None
        ]
        """Each rest-voltage curve, with the rows of the sessions that use it."""

    def count_per_session(self, owners: Any, chosen: Any) -> Any:
        return np.bincount(owners[chosen], minlength=self.count)

    def sum_per_session(self, owners: Any, values: Any, chosen: Any) -> Any:
        return np.bincount(owners[chosen], weights=values[chosen], minlength=self.count)

    def mean_per_session(self, owners: Any, values: Any, chosen: Any) -> Any:
        counted = self.count_per_session(owners, chosen)
        total = self.sum_per_session(owners, values, chosen)
        return np.divide(total, counted, out=np.full(self.count, np.nan), where=counted > 0)

    def highest_per_session(self, owners: Any, values: Any, chosen: Any) -> Any:
        highest = np.full(self.count, -np.inf)
        np.maximum.at(highest, owners[chosen], values[chosen])
        return np.where(np.isfinite(highest), highest, np.nan)

    def lowest_per_session(self, owners: Any, values: Any, chosen: Any) -> Any:
        return -self.highest_per_session(owners, -values, chosen)

    def rows_of_highest(self, owners: Any, values: Any, chosen: Any) -> Any:
        """For each session the row that holds its highest value, or −1."""
        highest = self.highest_per_session(owners, values, chosen)
        holds = np.flatnonzero(chosen & (values == highest[owners]))
        rows = np.full(self.count, -1)
        rows[owners[holds][::-1]] = holds[::-1]
        return rows
