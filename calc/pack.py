"""Battery packs: what modules in series and parallel give, and what is left in them.

Lithium packs can burn after crushing, water, short circuit or charging below freezing. These
numbers plan a pack; the maker's data and a qualified person decide whether it may be built.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.cell_curve import ASSUMED_CELL_CURVE, CURVE_TOLERANCE
from calc.cell_curve import StateOfChargeCurve as StateOfChargeCurve
from calc.declaration import Measured, Number, any_real, between, kernel, not_negative, plain, positive
from calc.least_squares import polynomial_fit

CELL_CURVE = ASSUMED_CELL_CURVE


class Pack(NamedTuple):
    """A pack of equal modules."""

    full_voltage_v: Any
    nominal_voltage_v: Any
    empty_voltage_v: Any
    capacity_ah: Any
    energy_wh: Any
    mass_kg: Any


@kernel(
    title="Modules in series and parallel",
    formula="U = s · U_m,  Q = p · Q_m,  E = U_nom · Q,  m = s · p · m_m",
    source="Kirchhoff's laws; IEC 80000-6:2022.",
    series=positive(),
    parallel=positive(),
    full_voltage_v=positive(),
    nominal_voltage_v=positive(),
    empty_voltage_v=positive(),
    capacity_ah=positive(),
    mass_kg=not_negative(),
)
def modules(
    series: Number,
    parallel: Number,
    full_voltage_v: Number,
    nominal_voltage_v: Number,
    empty_voltage_v: Number,
    capacity_ah: Number,
    mass_kg: Number = 0.0,
) -> Pack:
    """What equal modules give together.

    Parameters
    ----------
    series, parallel: how many, floats or arrays, above 0.
    full_voltage_v, nominal_voltage_v, empty_voltage_v: of one module [V], above 0.
    capacity_ah: of one module [Ah], above 0.
    mass_kg: of one module [kg], 0 or more.

    Returns
    -------
    Pack.

    Raises
    ------
    ValueError: the voltages do not fall from full to empty, or an argument is out of range.

    Examples
    --------
    >>> pack = modules(14, 4, full_voltage_v=4.2, nominal_voltage_v=3.6, empty_voltage_v=2.5, capacity_ah=3.0)
    >>> round(pack.full_voltage_v, 1), round(pack.capacity_ah, 1), round(pack.energy_wh, 1)
    (58.8, 12.0, 604.8)
    """
    full, nominal = np.asarray(full_voltage_v), np.asarray(nominal_voltage_v)
    if np.any(full < nominal) or np.any(nominal < empty_voltage_v):
        values = f"got {full_voltage_v}, {nominal_voltage_v} and {empty_voltage_v} V"
        raise ValueError(f"full_voltage_v, nominal_voltage_v and empty_voltage_v must fall in that order, {values}")
    nominal_v = np.asarray(series) * nominal
    charge_ah = np.asarray(parallel) * capacity_ah
    return Pack(
        full_voltage_v=plain(np.asarray(series) * full),
        nominal_voltage_v=plain(nominal_v),
        empty_voltage_v=plain(np.asarray(series) * empty_voltage_v),
        capacity_ah=plain(charge_ah),
        energy_wh=plain(nominal_v * charge_ah),
        mass_kg=plain(np.asarray(series) * parallel * mass_kg),
    )


@kernel(
    title="C-rate",
    formula="C = I / Q",
    source="IEC 61960-3:2017, rated capacity and reference test current I_t = Q / 1 h.",
    returns="1/hour",
    current_a=any_real(),
    capacity_ah=positive(),
)
def c_rate(current_a: Number, capacity_ah: Number) -> Any:
    """Current against capacity: at 1 C a pack is empty in an hour.

    Parameters
    ----------
    current_a: current, float or array [A], positive when discharging.
    capacity_ah: capacity [Ah], above 0.

    Returns
    -------
    C-rate [1/h].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> c_rate(current_a=120.0, capacity_ah=40.0)
    3.0
    """
    return plain(np.asarray(current_a) / np.asarray(capacity_ah))


@kernel(
    title="Voltage margin",
    formula="U_limit − U",
    source="Definition. A pack above a controller's limit can destroy it: the maker's data decide.",
    returns="volt",
    limit_v=positive(),
    voltage_v=not_negative(),
)
def voltage_margin_v(limit_v: Number, voltage_v: Number) -> Any:
    """What is left to a voltage limit; negative is over it.

    Parameters
    ----------
    limit_v: highest voltage controller or motor allows, float or array [V], above 0.
    voltage_v: voltage reached, such as the full pack [V], 0 or more.

    Returns
    -------
    Margin [V].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> voltage_margin_v(limit_v=60.0, voltage_v=54.5)
    5.5
    """
    return plain(np.asarray(limit_v) - np.asarray(voltage_v))


@kernel(
    title="Current margin",
    formula="I_limit − I",
    source="Definition. Current above a limit overheats cable, controller and cells: the maker's data decide.",
    returns="ampere",
    limit_a=positive(),
    current_a=not_negative(),
)
def current_margin_a(limit_a: Number, current_a: Number) -> Any:
    """What is left to a current limit; negative is over it.

    Parameters
    ----------
    limit_a: highest current controller or motor allows, float or array [A], above 0.
    current_a: current reached [A], 0 or more.

    Returns
    -------
    Margin [A].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> current_margin_a(limit_a=150.0, current_a=120.0)
    30.0
    """
    return plain(np.asarray(limit_a) - np.asarray(current_a))


@kernel(
    title="Internal resistance from a step of current",
    formula="R = (U₁ − U₂) / (I₂ − I₁)",
    source="IEC 61960-3:2017, d.c. internal resistance (from memory for the clause: 7.7.3).",
    returns="ohm",
    voltage_1_v=not_negative(),
    current_1_a=any_real(),
    voltage_2_v=not_negative(),
    current_2_a=any_real(),
)
def internal_resistance_ohm(voltage_1_v: Number, current_1_a: Number, voltage_2_v: Number, current_2_a: Number) -> Any:
    """Resistance from two readings at different currents, close together in time.

    Parameters
    ----------
    voltage_1_v, current_1_a: first reading, floats or arrays [V], [A], positive when discharging.
    voltage_2_v, current_2_a: second reading, at another current.

    Returns
    -------
    Resistance [Ω]. A negative one is no resistance: the readings are swapped or too noisy.

    Raises
    ------
    ValueError: the currents are equal, or an argument is not finite or not a number.

    Examples
    --------
    >>> round(internal_resistance_ohm(52.0, 0.0, 50.0, 100.0), 4)
    0.02
    """
    step_a = np.asarray(current_2_a) - np.asarray(current_1_a)
    if np.any(step_a == 0):
        raise ValueError(f"current_2_a must differ from current_1_a, got {current_2_a} A twice")
    return plain((np.asarray(voltage_1_v) - np.asarray(voltage_2_v)) / step_a)


class Resistance(NamedTuple):
    """A pack seen as a voltage behind a resistance."""

    resistance_ohm: float
    u_resistance_ohm: float
    open_circuit_voltage_v: float


@kernel(
    title="Internal resistance from many readings",
    formula="U = U₀ − R I  (least squares)",
    source="Simple linear regression; NIST/SEMATECH e-Handbook of Statistical Methods, 4.1.4.1.",
    voltage_v=not_negative(),
    current_a=any_real(),
)
def resistance_by_regression(voltage_v: Number, current_a: Number) -> Resistance:
    """Resistance as the slope of voltage over current.

    The open-circuit voltage falls during discharge; over a long log this adds to the slope. Use
    readings from a short span, or take the result as an upper bound.

    Parameters
    ----------
    voltage_v, current_a: readings, 1-D arrays of at least 3, with at least 2 different currents.

    Returns
    -------
    Resistance: slope [Ω] with its standard error, and the voltage at no current [V].

    Raises
    ------
    ValueError: fewer than 3 readings, lengths differ, or all currents are equal.

    Examples
    --------
    >>> fit = resistance_by_regression(voltage_v=[52.0, 51.0, 50.0], current_a=[0.0, 50.0, 100.0])
    >>> round(fit.resistance_ohm, 4), round(fit.open_circuit_voltage_v, 2)
    (0.02, 52.0)
    """
    volts, amperes = np.atleast_1d(voltage_v), np.atleast_1d(current_a)
    if volts.shape != amperes.shape or volts.size < 3:
        raise ValueError(f"voltage_v and current_a need at least 3 readings each, got {volts.size} and {amperes.size}")
    if np.ptp(amperes) == 0:
        raise ValueError(f"current_a must hold different currents, got only {amperes[0]:g} A")
    line = polynomial_fit(amperes, volts, degree=1)
    open_circuit_voltage_v, slope = (float(value) for value in line.coefficients)
    return Resistance(-slope, float(line.standard_errors[1]), open_circuit_voltage_v)


@kernel(
    title="State of charge from rest voltage",
    formula="linear interpolation in a rest-voltage curve",
    source="Curve as given. Rest long enough for the voltage to settle: common practice, no source.",
    rest_voltage_v=positive(),
)
def state_of_charge(rest_voltage_v: Number, curve: StateOfChargeCurve) -> Any:
    """How full a rested pack is.

    Parameters
    ----------
    rest_voltage_v: voltage with nothing drawing current, after rest, float or array [V], above 0.
    curve: rest voltage at growing states of charge, for the same thing as the voltage: a cell's
        curve for a cell, a pack's for a pack.

    Returns
    -------
    State of charge as a fraction, 0 to 1. A voltage beyond an end of the curve by no more than
    `CURVE_TOLERANCE` of that end gives the end.

    Raises
    ------
    ValueError: the voltage lies farther outside the curve, or the curve does not grow.

    Examples
    --------
    >>> state_of_charge(3.750874, ASSUMED_CELL_CURVE)
    0.5
    """
    charges, volts = (np.asarray(values, dtype=np.float64) for values in curve)
    if charges.shape != volts.shape or charges.size < 2 or charges[0] < 0 or charges[-1] > 1:
        raise ValueError("curve must hold at least 2 points, with a state of charge from 0 to 1 for each voltage")
    # Asked this way round, a NaN in the curve fails too.
    if not ((np.diff(charges) > 0).all() and (np.diff(volts) > 0).all()):
        raise ValueError("curve must grow from point to point, both voltage and state of charge")
    rest = np.asarray(rest_voltage_v)
    outside = (rest < volts[0] * (1 - CURVE_TOLERANCE)) | (rest > volts[-1] * (1 + CURVE_TOLERANCE))
    if np.any(outside):
        offender = float(rest[outside][0]) if rest.ndim else float(rest)
        raise ValueError(f"rest_voltage_v must lie in the curve, {volts[0]:g} V to {volts[-1]:g} V, got {offender:g} V")
    return plain(np.interp(rest, volts, charges))


@kernel(
    title="Capacity in the cold, as assumed",
    formula="Q(T) = Q · max(0, 1 − k · (T_ref − T))",
    source="Common practice, no source: a straight line stands in for the maker's curve.",
    returns="ampere*hour",
    capacity_ah=positive(),
    temperature_c=between(-60.0, 80.0),
    fraction_per_c=not_negative(),
    reference_c=between(-60.0, 80.0),
)
def cold_capacity_ah(
    capacity_ah: Number, temperature_c: Number, fraction_per_c: Number, reference_c: Number = 25.0
) -> Any:
    """Usable capacity at a low temperature, under an assumption that must be stated beside it.

    Parameters
    ----------
    capacity_ah: capacity at the reference temperature, float or array [Ah], above 0.
    temperature_c: battery temperature [°C], −60 to 80. Above the reference nothing is gained.
    fraction_per_c: share lost for each degree below the reference [1/°C], 0 or more.
    reference_c: temperature at which the capacity holds [°C].

    Returns
    -------
    Capacity [Ah], never below 0.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> cold_capacity_ah(capacity_ah=40.0, temperature_c=-15.0, fraction_per_c=0.005)
    32.0
    """
    below = np.maximum(0.0, np.asarray(reference_c) - np.asarray(temperature_c))
    return plain(np.asarray(capacity_ah) * np.maximum(0.0, 1.0 - np.asarray(fraction_per_c) * below))


@kernel(
    title="Internal resistance from a step, with its uncertainty",
    formula="u(R) = √2 · √[u(U)² + R² u(I)²] / |I₂ − I₁|",
    source="IEC 61960-3:2017; JCGM 100:2008, 5.1.2 (readings uncorrelated).",
    returns="ohm",
    voltage_1_v=not_negative(),
    current_1_a=any_real(),
    voltage_2_v=not_negative(),
    current_2_a=any_real(),
    u_voltage_v=not_negative(),
    u_current_a=not_negative(),
)
def internal_resistance(
    voltage_1_v: Number,
    current_1_a: Number,
    voltage_2_v: Number,
    current_2_a: Number,
    u_voltage_v: Number,
    u_current_a: Number = 0.0,
) -> Measured:
    """Resistance from two readings, with the uncertainty of the readings.

    Parameters
    ----------
    voltage_1_v, current_1_a, voltage_2_v, current_2_a: as in `internal_resistance_ohm`.
    u_voltage_v, u_current_a: standard uncertainty of one reading [V], [A], 0 or more. An error that
        all readings share, such as a zero that is off, drops out of the step: leave it out.

    Returns
    -------
    Measured resistance [Ω].

    Raises
    ------
    ValueError: as in `internal_resistance_ohm`.

    Examples
    --------
    >>> internal_resistance(52.0, 0.0, 50.0, 100.0, u_voltage_v=0.0)
    Measured(value=0.02, u=0.0)
    """
    value = internal_resistance_ohm(voltage_1_v, current_1_a, voltage_2_v, current_2_a)
    u_v = np.hypot(u_voltage_v, np.asarray(value) * u_current_a)
    return Measured(value, plain(np.sqrt(2.0) * u_v / np.abs(np.asarray(current_2_a) - np.asarray(current_1_a))))
