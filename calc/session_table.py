"""Many sessions' facts side by side in columns, so that each calculation runs once for all of them.

Not known is NaN here, and stays NaN through every sum; `calc.session_sheet` turns it back into a
result that is missing, with what it needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from calc.pack import StateOfChargeCurve
from calc.session_facts import LimitFacts, LogFacts, PackFacts, SessionFacts

_FACTS = (
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
    "u_rest_charge_fraction",
    "reserve_fraction",
    "air_temperature_c",
    "wind_speed_mps",
    "track_width_m",
    "wheelbase_m",
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
    """One pass timed at three marks or more."""

    session: int
    positions_m: Any
    times_s: Any
    u_time_s: float


def _columns(rows: Sequence[Any], names: tuple[str, ...]) -> dict[str, Any]:
    return {
        name: np.array([None if row is None else getattr(row, name) for row in rows], dtype=np.float64)
        for name in names
    }


class SessionTable:
    """The facts of many sessions. `passes` and `readings` say in `*_session` whose they are, in order."""

    facts: dict[str, Any]
    passes: dict[str, Any]
    pass_session: Any
    pass_is_out: Any
    splits: list[Split]
    readings: dict[str, Any]
    reading_session: Any
    log: dict[str, Any]

    def __init__(self, all_facts: Sequence[SessionFacts]) -> None:
        self._describe(
            [facts.pack for facts in all_facts],
            [facts.controller for facts in all_facts],
            [facts.motor for facts in all_facts],
            [facts.single_contact for facts in all_facts],
            [facts.cg_needs for facts in all_facts],
        )
        self.facts = _columns(all_facts, _FACTS)
        runs = [run for facts in all_facts for run in facts.passes]
        self.passes = _columns(runs, _PASS)
        self.pass_session = self._owners([len(facts.passes) for facts in all_facts])
        self.pass_is_out = np.array([run.direction == "out" for run in runs], dtype=bool)
        self.splits = [
            Split(
                int(owner), np.array(run.mark_positions_m), np.array(run.mark_times_s), run.u_duration_s / np.sqrt(2.0)
            )
            for run, owner in zip(runs, self.pass_session, strict=True)
            if len(run.mark_positions_m) >= 3 and len(run.mark_times_s) == len(run.mark_positions_m)
        ]
        looks = [reading for facts in all_facts for reading in facts.readings]
        self.readings = _columns(looks, READING_COLUMNS)
        self.reading_session = self._owners([len(facts.readings) for facts in all_facts])
        self.log = _columns([facts.log for facts in all_facts], _LOG)

    @classmethod
    def of_columns(
        cls,
        facts: dict[str, Any],
        packs: Sequence[PackFacts | None],
        controllers: Sequence[LimitFacts | None],
        motors: Sequence[LimitFacts | None],
        single_contact: Sequence[str],
        cg_needs: Sequence[str],
        passes: dict[str, Any],
        pass_session: Any,
        pass_is_out: Any,
        splits: list[Split],
        readings: dict[str, Any],
        reading_session: Any,
        logs: Sequence[LogFacts | None],
    ) -> SessionTable:
        """A table from columns that were read as such: the same as from one object for each session.

        Columns are arrays with NaN for what is not known; passes and readings are ordered by their session.
        """
        table = cls.__new__(cls)
        table._describe(packs, controllers, motors, single_contact, cg_needs)
        nothing = np.full(table.count, np.nan)
        table.facts = {name: facts.get(name, nothing) for name in _FACTS}
        table.passes, table.pass_session, table.pass_is_out = passes, pass_session, pass_is_out
        table.splits, table.readings, table.reading_session = splits, readings, reading_session
        table.log = _columns(logs, _LOG)
        return table

    def _describe(
        self,
        packs: Sequence[PackFacts | None],
        controllers: Sequence[LimitFacts | None],
        motors: Sequence[LimitFacts | None],
        single_contact: Sequence[str],
        cg_needs: Sequence[str],
    ) -> None:
        """What is known of each session's machine."""
        self.count = len(packs)
        self.pack = _columns(packs, _PACK)
        self.controller = _columns(controllers, _LIMITS)
        self.motor = _columns(motors, _LIMITS)
        self.single_contact = np.array(single_contact, dtype="U5")
        self.cg_needs = list(cg_needs)
        self.curves = self._curves(packs)

    def _owners(self, counts: list[int]) -> Any:
        return np.repeat(np.arange(self.count), counts)

    def _curves(self, packs: Sequence[PackFacts | None]) -> list[tuple[StateOfChargeCurve, Any]]:
        """Each rest-voltage curve once, with the rows of the sessions that use it."""
        rows: dict[StateOfChargeCurve, list[int]] = {}
        for index, pack in enumerate(packs):
            if pack is not None and pack.curve is not None:
                rows.setdefault(pack.curve, []).append(index)
        return [(curve, np.array(indices)) for curve, indices in rows.items()]

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
