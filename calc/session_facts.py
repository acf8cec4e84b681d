"""What is known of a build and of a log, as plain numbers: with the columns of `calc.session_table` the input of
`calc.session_report`.

None means "not known", never zero. Units are in the names.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from calc.pack import Resistance, StateOfChargeCurve
from calc.recording import FEWEST_FOR_RESISTANCE, SHORTEST_GAP_S, DischargeFit, ElectricalTotals, gap_of_steps_s

PACK_U_FRACTION = 0.05
"""How far a pack's energy and capacity may be from what its modules say, as a standard uncertainty: they
age, and a rating is made warm and slow (common practice, no source). Both are off by the same share."""


COLD_U_SHARE = 1 / 3
"""How far what the cold holds back may be from what is assumed, as a standard uncertainty and a share of it: cells of
one kind differ by that much (common practice, no source)."""


@dataclass(frozen=True)
class LogFacts:
    """What a logged series says, worked out once when it is imported (see `of_series`); discharge counts up.

    Stored with each log under the names of these fields, so they must not be renamed.
    """

    duration_s: float | None = None
    charge_ah: float | None = None
    u_charge_ah: float | None = None
    returned_ah: float | None = None
    energy_wh: float | None = None
    u_energy_wh: float | None = None
    returned_wh: float | None = None
    mean_power_w: float | None = None
    peak_power_w: float | None = None
    highest_current_a: float | None = None
    lowest_voltage_v: float | None = None
    highest_voltage_v: float | None = None
    resistance_ohm: float | None = None
    u_resistance_ohm: float | None = None
    motor_temperature_c: float | None = None
    controller_temperature_c: float | None = None
    battery_temperature_c: float | None = None
    lowest_battery_temperature_c: float | None = None
    rests_on: str | None = None
    """Which logs were joined or left out, where a session has several; never stored."""

    @classmethod
    def of_series(cls, time_s: Any, voltage_v: Any, current_a: Any) -> LogFacts:
        """From samples of pack voltage and current, 1-D arrays of one length.

        Raises ValueError as `calc.recording.electrical_summary` does.
        """
        times, volts, amperes = (
            np.atleast_1d(np.asarray(value, np.float64)) for value in (time_s, voltage_v, current_a)
        )
        gathered = GatheredLogFacts()
        gathered.add(times, volts, amperes)
        return gathered.facts()


class GatheredLogFacts:
    """`LogFacts.of_series` of a log that is read a block at a time; of its rows only the steps in time are kept."""

    def __init__(self) -> None:
        self._totals, self._fit = ElectricalTotals(SHORTEST_GAP_S), _PackFit()
        self._steps_s: list[Any] = []
        self._last_s = np.empty(0)

    def add(self, time_s: Any, voltage_v: Any, current_a: Any) -> None:
        """Take in the samples that follow, at least one; arrays of one length."""
        self._totals.add(time_s, voltage_v, current_a)
        self._fit.add(time_s, voltage_v, current_a)
        self._steps_s.append(np.diff(time_s, prepend=self._last_s))
        self._last_s = time_s[-1:]

    def facts(self) -> LogFacts:
        """Raises ValueError where fewer than 2 samples came. To be asked once."""
        steps_s = np.concatenate([np.empty(0), *self._steps_s])
        self._steps_s.clear()
        summary = self._totals.summary(gap_of_steps_s(steps_s) if steps_s.size else None)
        resistance = self._fit.resistance()
        return LogFacts(
            duration_s=summary.duration_s,
            charge_ah=summary.discharged_ah - summary.regenerated_ah,
            returned_ah=summary.regenerated_ah,
            energy_wh=summary.discharged_wh - summary.returned_wh,
            returned_wh=summary.returned_wh,
            mean_power_w=summary.mean_power_w,
            peak_power_w=summary.peak_power_w,
            highest_current_a=summary.highest_current_a,
            lowest_voltage_v=summary.lowest_voltage_v,
            highest_voltage_v=summary.highest_voltage_v,
            resistance_ohm=None if resistance is None else resistance.resistance_ohm,
            u_resistance_ohm=None if resistance is None else resistance.u_resistance_ohm,
        )


class _PackFit:
    """The pack's resistance where the log settles it: a slope that could as well be nothing is no answer."""

    def __init__(self) -> None:
        self._fit, self._is_possible = DischargeFit(), True
        self._samples = 0
        self._time_s = self._current_a = self._charge_ah = np.empty(0)

    def add(self, time_s: Any, voltage_v: Any, current_a: Any) -> None:
        steps_s = np.diff(time_s, prepend=self._time_s)
        currents_a = np.append(self._current_a, current_a)
        charge_ah = np.cumsum(steps_s * (currents_a[1:] + currents_a[:-1]) / 7200.0)
        charge_ah = charge_ah + self._charge_ah if self._samples else np.append(0.0, charge_ah)
        self._time_s, self._current_a, self._charge_ah = time_s[-1:], current_a[-1:], charge_ah[-1:]
        self._samples += voltage_v.size
        # A pack's voltage is never below zero: where it is, the column holds something else.
        self._is_possible &= not bool((voltage_v < 0).any())
        if self._is_possible:
            self._fit.add(voltage_v, current_a, charge_ah)

    def resistance(self) -> Resistance | None:
        if not self._is_possible or self._samples < FEWEST_FOR_RESISTANCE:
            return None
        try:
            resistance = self._fit.resistance()
        except ValueError:
            return None
        return resistance if resistance.resistance_ohm > 2 * resistance.u_resistance_ohm else None


@dataclass(frozen=True)
class PackFacts:
    full_voltage_v: float
    nominal_voltage_v: float
    empty_voltage_v: float
    capacity_ah: float
    energy_wh: float
    continuous_current_a: float | None = None
    curve: StateOfChargeCurve | None = None
    highest_temperature_c: float | None = None
    lowest_temperature_c: float | None = None
    lowest_charging_temperature_c: float | None = None


@dataclass(frozen=True)
class LimitFacts:
    """The rated limits of a controller or motor."""

    highest_voltage_v: float | None = None
    lowest_voltage_v: float | None = None
    continuous_current_a: float | None = None
    highest_temperature_c: float | None = None


@dataclass(frozen=True)
class BuildFacts:
    """What a session's results need to know of the revision that was ridden."""

    pack: PackFacts | None = None
    controller: LimitFacts | None = None
    motor: LimitFacts | None = None
    track_width_m: float | None = None
    wheelbase_m: float | None = None
    single_contact: str = ""
    """The end at which a machine of three contacts has only one: "front", "rear", or "" for others."""
