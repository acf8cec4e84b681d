"""What a logged series of volts and amperes adds up to."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, any_real, kernel, not_negative, positive
from calc.energy import IEC, LogTotals, interval_totals, log_totals
from calc.least_squares import Triangle
from calc.pack import Resistance

FEWEST_FOR_RESISTANCE = 10
SHORTEST_GAP_S = 5.0
OPEN_CIRCUIT_DEGREE = 3
"""The open-circuit voltage as a polynomial of the charge taken out; of a lower degree where little was."""


class ElectricalSummary(NamedTuple):
    """Totals and extremes of a log, with discharge and regeneration separate."""

    duration_s: float
    gaps_s: float
    discharged_ah: float
    regenerated_ah: float
    discharged_wh: float
    returned_wh: float
    peak_power_w: float
    mean_power_w: float
    highest_current_a: float
    lowest_voltage_v: float
    highest_voltage_v: float


@kernel(
    title="What a log adds up to",
    formula="E = ∫ U I dt, discharge and return apart;  P̄ = E / t;  max U I, max I, min U under load",
    source=f"{IEC}. Trapezoidal rule; intervals longer than the gap count nothing.",
    largest_gap_s=positive(),
)
def electrical_summary(
    time_s: Any, voltage_v: Any, current_a: Any, largest_gap_s: float | None = None
) -> ElectricalSummary:
    """Charge, energy, regeneration, power and extremes of a log.

    Parameters
    ----------
    time_s, voltage_v, current_a: as in `energy_wh`.
    largest_gap_s: intervals longer than this are gaps [s], above 0; none if left out.

    Returns
    -------
    ElectricalSummary. The mean power is net energy over the time that was logged. The lowest voltage is
    that under load, or the lowest at all where no current flowed.

    Raises
    ------
    ValueError: as in `energy_wh`.

    Examples
    --------
    >>> summary = electrical_summary([0.0, 1800.0, 3600.0], [50.0, 48.0, 50.0], [10.0, 10.0, 10.0])
    >>> summary.discharged_ah, summary.peak_power_w, summary.lowest_voltage_v
    (10.0, 500.0, 48.0)
    """
    totals = ElectricalTotals(np.inf if largest_gap_s is None else largest_gap_s)
    totals.add(time_s, voltage_v, current_a)
    return totals.summary()


class ElectricalTotals:
    """`electrical_summary` of a log that comes in blocks; one sample is kept between them.

    Intervals up to `certain_s` are no gaps. Those that are longer are kept until `summary` says which of them are: what
    a gap is rests on every step of the log.
    """

    def __init__(self, certain_s: float) -> None:
        self._certain_s = certain_s
        self._last: tuple[Any, ...] | None = None
        self._began_s = self._ended_s = 0.0
        self._is_long_enough = False
        self._totals = np.zeros(len(LogTotals._fields))
        self._longer: list[Any] = []
        self._peak_power_w = self._highest_current_a = self._highest_voltage_v = -np.inf
        self._lowest_voltage_v = self._lowest_loaded_v = np.inf

    def add(self, time_s: Any, voltage_v: Any, current_a: Any) -> None:
        """Take in the samples that follow, at least one. Raises ValueError as `electrical_summary` does."""
        block = tuple(np.asarray(values, dtype=np.float64) for values in (time_s, voltage_v, current_a))
        if self._last is not None:
            block = tuple(np.append(last, values) for last, values in zip(self._last, block, strict=True))
        times, volts, amperes = block
        if max(times.size, volts.size, amperes.size) > 1:
            self._totals += log_totals(times, volts, amperes, None if np.isinf(self._certain_s) else self._certain_s)
            self._is_long_enough = True
            rows = np.flatnonzero(np.diff(times) > self._certain_s)
            if rows.size:
                power = volts * amperes
                ends = (amperes[rows], amperes[rows + 1], power[rows], power[rows + 1])
                self._longer.append(np.array([times[rows + 1] - times[rows], *ends]))
        if self._last is None:
            self._began_s = float(times[0])
        self._ended_s, self._last = float(times[-1]), tuple(values[-1:] for values in block)
        self._peak_power_w = max(self._peak_power_w, float(np.max(volts * amperes)))
        self._highest_current_a = max(self._highest_current_a, float(amperes.max()))
        self._highest_voltage_v = max(self._highest_voltage_v, float(volts.max()))
        self._lowest_voltage_v = min(self._lowest_voltage_v, float(volts.min()))
        self._lowest_loaded_v = min(self._lowest_loaded_v, float(volts[amperes > 0].min(initial=np.inf)))

    def summary(self, largest_gap_s: float | None = None) -> ElectricalSummary:
        """What was taken in; gaps are intervals above `certain_s`, or above `largest_gap_s` where that is larger.

        Raises ValueError where fewer than 2 samples came.
        """
        if not self._is_long_enough:
            raise ValueError("time_s and voltage_v need at least 2 samples each")
        sums = self._totals
        if largest_gap_s is not None and self._longer:
            longer = np.concatenate(self._longer, axis=1)
            longer = longer[:, longer[0] <= largest_gap_s]
            sums = sums + interval_totals(*longer)._replace(gaps_s=-float(longer[0].sum()))
        totals = LogTotals(*sums.tolist())
        duration_s = self._ended_s - self._began_s
        logged_h = (duration_s - totals.gaps_s) / 3600.0
        net_wh = totals.discharged_wh - totals.returned_wh
        return ElectricalSummary(
            duration_s, totals.gaps_s, totals.discharged_ah, totals.regenerated_ah,
            totals.discharged_wh, totals.returned_wh,
            self._peak_power_w, net_wh / logged_h if logged_h > 0 else 0.0, self._highest_current_a,
            self._lowest_loaded_v if np.isfinite(self._lowest_loaded_v) else self._lowest_voltage_v,
            self._highest_voltage_v,
        )  # fmt: skip


@kernel(
    title="Largest gap of a log",
    formula="max(5 s, 20 · median step)",
    source="Common practice, no source.",
    returns="second",
    time_s=any_real(),
)
def usual_gap_s(time_s: Number) -> float:
    """The interval above which nothing was logged, rather than logged slowly.

    Parameters
    ----------
    time_s: growing sample times, 1-D array of at least 2 [s].

    Returns
    -------
    Interval [s].

    Raises
    ------
    ValueError: fewer than 2 samples, or a time is not finite.

    Examples
    --------
    >>> usual_gap_s([0.0, 1.0, 2.0, 3.0])
    20.0
    """
    times = np.atleast_1d(time_s)
    if times.size < 2:
        raise ValueError(f"time_s needs at least 2 samples, got {times.size}")
    return gap_of_steps_s(np.diff(times))


def gap_of_steps_s(steps_s: Any) -> float:
    """`usual_gap_s` of the steps between samples, an array that is not needed afterwards: it is put in another order.

    Examples
    --------
    >>> gap_of_steps_s(np.array([1.0, 1.0, 3.0]))
    20.0
    """
    return max(SHORTEST_GAP_S, 20.0 * float(np.median(steps_s, overwrite_input=True)))


@kernel(
    title="Pack resistance from a log",
    formula="U = p₀ + p₁ Q + p₂ Q² + p₃ Q³ − R I  (least squares)",
    source="Ordinary least squares; NIST/SEMATECH e-Handbook of Statistical Methods, 4.1.4.1. The open-circuit voltage "
    "as a cubic of the charge taken out: common practice, no source.",
    voltage_v=not_negative(),
    current_a=any_real(),
    charge_out_ah=any_real(),
)
def resistance_under_discharge(voltage_v: Number, current_a: Number, charge_out_ah: Number) -> Resistance:
    """Resistance of a pack under discharge; the fall in open-circuit voltage does not count as resistance.

    Parameters
    ----------
    voltage_v, current_a: samples, 1-D arrays of at least 10, with different currents.
    charge_out_ah: charge taken out until each sample [Ah], same length.

    Returns
    -------
    Resistance: slope [Ω] with its standard error for independent errors, and the open-circuit voltage at the
    first sample's charge [V].

    Raises
    ------
    ValueError: fewer than 10 samples, lengths differ, or the current hardly varies beside the charge.

    Examples
    --------
    >>> amperes = np.tile([0.0, 20.0, 40.0, 10.0], 5)
    >>> charge = np.linspace(0.0, 1.0, 20)
    >>> fit = resistance_under_discharge(52.0 - 2.0 * charge - 0.05 * amperes, amperes, charge)
    >>> round(fit.resistance_ohm, 6), round(fit.open_circuit_voltage_v, 3)
    (0.05, 52.0)
    """
    volts, amperes, charge = (np.atleast_1d(values) for values in (voltage_v, current_a, charge_out_ah))
    if not volts.shape == amperes.shape == charge.shape or volts.size < FEWEST_FOR_RESISTANCE:
        raise ValueError(
            f"voltage_v, current_a and charge_out_ah need at least {FEWEST_FOR_RESISTANCE} samples each, as many of "
            "one as of the others; "
            f"got {volts.size}, {amperes.size} and {charge.size}"
        )
    fit = DischargeFit()
    fit.add(volts, amperes, charge)
    return fit.resistance()


class DischargeFit:
    """`resistance_under_discharge` of a log that comes in blocks."""

    def __init__(self) -> None:
        self._triangle = Triangle(2 + OPEN_CIRCUIT_DEGREE)
        self._first_charge_ah = self._first_current_a = 0.0

    def add(self, voltage_v: Any, current_a: Any, charge_out_ah: Any) -> None:
        """Take in the samples that follow, arrays of one length; finite numbers."""
        if not self._triangle.points:
            self._first_charge_ah, self._first_current_a = float(charge_out_ah[0]), float(current_a[0])
        rows = np.empty((3 + OPEN_CIRCUIT_DEGREE, voltage_v.size)).T
        rows[:, 0], rows[:, 1], rows[:, 2] = 1.0, -current_a, charge_out_ah - self._first_charge_ah
        for column in range(3, 2 + OPEN_CIRCUIT_DEGREE):
            rows[:, column] = rows[:, column - 1] * rows[:, 2]
        rows[:, -1] = voltage_v
        self._triangle.add(rows)

    def resistance(self) -> Resistance:
        """Raises ValueError as `resistance_under_discharge` does."""
        for degree in range(OPEN_CIRCUIT_DEGREE, -1, -1):
            try:
                fit = self._triangle.fit("current_a", 2 + degree)
            except ValueError:
                # Little charge was used: the open-circuit voltage then needs fewer terms.
                continue
            return Resistance(float(fit.coefficients[1]), float(fit.standard_errors[1]), float(fit.coefficients[0]))
        raise ValueError(f"current_a must hold different currents, got only {self._first_current_a:g} A")
