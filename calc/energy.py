"""Charge and energy: from a log, a meter, or charge and mean voltage. Positive current discharges."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Measured, Number, kernel, not_negative, plain, positive

IEC = "IEC 80000-6:2022: 1 A·h = 3600 C, 1 W·h = 3600 J"


def _interval_integral(time_s: Any, values: Any, names: tuple[str, ...], largest_gap_s: float) -> float:
    """Trapezoids between samples; intervals longer than the gap are left out.

    The checks are made on the sums, which cost nothing: only a bad sum sends us looking for the
    sample that spoiled it.
    """
    times = np.asarray(time_s, dtype=np.float64)
    levels = np.asarray(values, dtype=np.float64)
    if times.ndim != 1 or times.shape != levels.shape or times.size < 2:
        raise ValueError(f"time_s and {names[0]} need at least 2 samples each, got {times.size} and {levels.size}")
    steps_s = np.diff(times)
    if not steps_s.min() > 0:
        position = int(np.flatnonzero(~(steps_s > 0))[0]) + 1
        raise ValueError(f"time_s must grow from sample to sample, got {times[position]:g} s at position {position}")
    if largest_gap_s != np.inf:
        steps_s = np.where(steps_s <= largest_gap_s, steps_s, 0.0)
    total = float(np.dot(steps_s, levels[1:]) + np.dot(steps_s, levels[:-1])) / 2
    if not np.isfinite(total):
        bad = np.flatnonzero(~np.isfinite(levels))
        where = int(bad[0]) if bad.size else 0
        raise ValueError(f"{' and '.join(names)} must be finite numbers, got {levels[where]:g} at position {where}")
    return total


def _checked_gap(largest_gap_s: float | None) -> float:
    return np.inf if largest_gap_s is None else largest_gap_s


@kernel(
    title="Charge from a log",
    formula="Q = ∫ I dt",
    source=f"{IEC}. Trapezoidal rule between samples.",
    returns="ampere*hour",
    largest_gap_s=positive(),
)
def charge_ah(time_s: Any, current_a: Any, largest_gap_s: float | None = None) -> float:
    """Net charge drawn from the pack: discharge is positive, regeneration and charging are negative.

    Parameters
    ----------
    time_s: growing sample times, 1-D array of at least 2 [s]; they need not be even.
    current_a: current at each [A], positive when discharging, same length.
    largest_gap_s: intervals longer than this are gaps and count nothing [s], above 0; none if left out.

    Returns
    -------
    Charge [Ah].

    Raises
    ------
    ValueError: fewer than 2 samples, lengths differ, times do not grow, or a sample is not finite.

    Examples
    --------
    >>> charge_ah(time_s=[0.0, 1800.0, 3600.0], current_a=[10.0, 10.0, 10.0])
    10.0
    """
    return _interval_integral(time_s, current_a, ("current_a",), _checked_gap(largest_gap_s)) / 3600.0


@kernel(
    title="Energy from a log",
    formula="E = ∫ U I dt",
    source=f"{IEC}. Trapezoidal rule between samples.",
    returns="watt*hour",
    largest_gap_s=positive(),
)
def energy_wh(time_s: Any, voltage_v: Any, current_a: Any, largest_gap_s: float | None = None) -> float:
    """Net energy drawn from the pack.

    Parameters
    ----------
    time_s: growing sample times, 1-D array of at least 2 [s].
    voltage_v, current_a: pack voltage [V] and current [A] at each, same length.
    largest_gap_s: intervals longer than this are gaps and count nothing [s], above 0; none if left out.

    Returns
    -------
    Energy [Wh].

    Raises
    ------
    ValueError: fewer than 2 samples, lengths differ, times do not grow, or a sample is not finite.

    Examples
    --------
    >>> energy_wh(time_s=[0.0, 3600.0], voltage_v=[50.0, 50.0], current_a=[10.0, 10.0])
    500.0
    """
    volts, amperes = np.asarray(voltage_v, dtype=np.float64), np.asarray(current_a, dtype=np.float64)
    if volts.shape != amperes.shape:
        raise ValueError(f"voltage_v must be as long as current_a ({amperes.size}), got {volts.size} values")
    return _interval_integral(time_s, volts * amperes, ("voltage_v", "current_a"), _checked_gap(largest_gap_s)) / 3600.0


class LogTotals(NamedTuple):
    """Totals of a log, with discharge and regeneration separate."""

    discharged_ah: float
    regenerated_ah: float
    discharged_wh: float
    returned_wh: float
    gaps_s: float


@kernel(
    title="Discharge and return of a log, kept apart",
    formula="E₊ = ∫ max(U I, 0) dt,  E₋ = ∫ max(−U I, 0) dt",
    source=f"{IEC}. Trapezoidal rule; an interval in which the current changes sign is split where it crosses zero.",
    largest_gap_s=positive(),
)
def log_totals(time_s: Any, voltage_v: Any, current_a: Any, largest_gap_s: float | None = None) -> LogTotals:
    """Charge and energy out of the pack and back into it, and how long nothing was logged.

    Parameters
    ----------
    time_s, voltage_v, current_a: as in `energy_wh`.
    largest_gap_s: intervals longer than this are gaps [s], above 0; none if left out.

    Returns
    -------
    LogTotals; net charge is discharged_ah − regenerated_ah.

    Raises
    ------
    ValueError: as in `energy_wh`.

    Examples
    --------
    >>> totals = log_totals(time_s=[0.0, 3600.0, 7200.0], voltage_v=[50.0] * 3, current_a=[10.0, 0.0, -10.0])
    >>> totals.discharged_ah, totals.regenerated_ah, totals.discharged_wh, totals.gaps_s
    (5.0, 5.0, 250.0, 0.0)
    """
    times, volts, amperes = (np.asarray(values, dtype=np.float64) for values in (time_s, voltage_v, current_a))
    if not times.shape == volts.shape == amperes.shape or times.ndim != 1 or times.size < 2:
        energy_wh(time_s, voltage_v, current_a)  # refuses them by name
    steps_s = np.diff(times)
    is_gap = steps_s > _checked_gap(largest_gap_s)
    power = volts * amperes
    totals = interval_totals(
        np.where(is_gap, 0.0, steps_s) if is_gap.any() else steps_s, amperes[:-1], amperes[1:], power[:-1], power[1:]
    )
    if not steps_s.min() > 0 or not np.isfinite(totals).all() or not np.isfinite(times[-1] - times[0]):
        energy_wh(time_s, voltage_v, current_a)  # looks for the sample that spoiled the sums
    return totals._replace(gaps_s=float(np.sum(steps_s[is_gap])))


def interval_totals(steps_s: Any, first_a: Any, last_a: Any, first_w: Any, last_w: Any) -> LogTotals:
    """`log_totals` of intervals: their lengths, and current and power at the beginning and the end of each.

    Examples
    --------
    >>> one_hour = np.array([3600.0])
    >>> interval_totals(one_hour, np.array([10.0]), np.array([-10.0]), np.array([500.0]), np.array([-500.0]))[:2]
    (2.5, 2.5)
    """

    def halves(first: Any, last: Any) -> tuple[float, float]:
        net = float(np.dot(steps_s, first) + np.dot(steps_s, last)) / 2
        out = float(np.dot(steps_s, np.maximum(first, 0.0)) + np.dot(steps_s, np.maximum(last, 0.0))) / 2
        # Where the sign changes, only the time before or after zero counts, and not the whole interval.
        crossing = np.flatnonzero(first * last < 0)
        high, low = np.maximum(first[crossing], last[crossing]), -np.minimum(first[crossing], last[crossing])
        out -= float(np.dot(steps_s[crossing], high * low / (high + low))) / 2
        # Rounding must not leave less than nothing on either side.
        out = max(out, net, 0.0)
        return out / 3600.0, (out - net) / 3600.0

    return LogTotals(*halves(first_a, last_a), *halves(first_w, last_w), 0.0)


@kernel(
    title="Energy from charge and mean voltage",
    formula="E = Q · Ū",
    source=f"{IEC}; JCGM 100:2008, 5.1.6 for its uncertainty.",
    returns="watt*hour",
    charge_ah=not_negative(),
    mean_voltage_v=positive(),
    u_charge_ah=not_negative(),
    u_mean_voltage_v=not_negative(),
)
def energy_from_charge(
    charge_ah: Number, mean_voltage_v: Number, u_charge_ah: Number = 0.0, u_mean_voltage_v: Number = 0.0
) -> Measured:
    """Energy from a charge counter and the mean voltage of the ride.

    Parameters
    ----------
    charge_ah: charge used, float or array [Ah], 0 or more.
    mean_voltage_v: mean voltage while it was used [V], above 0. The mean of the rest voltages
        before and after is higher than the mean under load; its uncertainty must cover that.
    u_charge_ah, u_mean_voltage_v: standard uncertainties, 0 or more.

    Returns
    -------
    Measured energy [Wh].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> energy_from_charge(charge_ah=12.0, mean_voltage_v=50.4).value
    604.8
    """
    charge, voltage = np.asarray(charge_ah), np.asarray(mean_voltage_v)
    u_wh = np.hypot(voltage * u_charge_ah, charge * u_mean_voltage_v)
    return Measured(plain(charge * voltage), plain(u_wh))


@kernel(
    title="Energy from a meter",
    formula="u(E) = √[(E · r)² + (d/√12)²]",
    source="JCGM 100:2008, 4.3.7 and F.2.2.1 (resolution d of a display).",
    returns="watt*hour",
    reading_wh=not_negative(),
    u_scale_fraction=not_negative(),
    resolution_wh=not_negative(),
)
def energy_from_meter(reading_wh: Number, u_scale_fraction: Number = 0.0, resolution_wh: Number = 0.0) -> Measured:
    """A meter's energy with the uncertainty of its scale and of its display.

    Parameters
    ----------
    reading_wh: energy shown, float or array [Wh], 0 or more.
    u_scale_fraction: standard uncertainty of its scale, as a fraction of the reading, 0 or more.
    resolution_wh: smallest step of the display [Wh], 0 or more.

    Returns
    -------
    Measured energy [Wh].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> energy_from_meter(reading_wh=500.0, u_scale_fraction=0.02)
    Measured(value=500.0, u=10.0)
    """
    reading = np.asarray(reading_wh)
    return Measured(
        plain(reading), plain(np.hypot(reading * u_scale_fraction, np.asarray(resolution_wh) / np.sqrt(12)))
    )


@kernel(
    title="Energy per kilometre",
    formula="c = E / s",
    source="Definition.",
    returns="watt*hour/kilometer",
    energy_wh=not_negative(),
    distance_m=positive(),
)
def energy_per_distance_wh_per_km(energy_wh: Number, distance_m: Number) -> Any:
    """Energy used for each kilometre ridden.

    Parameters
    ----------
    energy_wh: energy used, float or array [Wh], 0 or more.
    distance_m: distance ridden [m], above 0.

    Returns
    -------
    Consumption [Wh/km].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> energy_per_distance_wh_per_km(energy_wh=400.0, distance_m=10000.0)
    40.0
    """
    return plain(np.asarray(energy_wh) / (np.asarray(distance_m) / 1000.0))


@kernel(
    title="Energy per kilometre, with its uncertainty",
    formula="c = E / s,  u(c) = c · √[(u(E)/E)² + (u(s)/s)²]",
    source="JCGM 100:2008, 5.1.6.",
    returns="watt*hour/kilometer",
    energy_wh=not_negative(),
    distance_m=positive(),
    u_energy_wh=not_negative(),
    u_distance_m=not_negative(),
)
def energy_per_distance(
    energy_wh: Number, distance_m: Number, u_energy_wh: Number = 0.0, u_distance_m: Number = 0.0
) -> Measured:
    """Energy used for each kilometre ridden, with its standard uncertainty.

    Parameters
    ----------
    energy_wh, distance_m: as in `energy_per_distance_wh_per_km`.
    u_energy_wh, u_distance_m: standard uncertainties, 0 or more.

    Returns
    -------
    Measured consumption [Wh/km].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> energy_per_distance(energy_wh=400.0, distance_m=10000.0, u_energy_wh=8.0)
    Measured(value=40.0, u=0.8)
    """
    distance_km = np.asarray(distance_m) / 1000.0
    consumption = np.asarray(energy_wh) / distance_km
    u = np.hypot(np.asarray(u_energy_wh) / distance_km, consumption * np.asarray(u_distance_m) / distance_m)
    return Measured(plain(consumption), plain(u))
