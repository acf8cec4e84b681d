"""Between motor and ground: ratio, rolling circumference, motor constant."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from calc.declaration import Number, any_real, kernel, not_negative, plain, positive


@kernel(
    title="Road speed at a motor speed",
    formula="v = (n / i) · U / 60",
    source="Kinematics; rolling circumference as in ISO 5775-1 practice: roll it out under load.",
    returns="m/s",
    motor_speed_rpm=not_negative(),
    drive_ratio=positive(),
    rolling_circumference_m=positive(),
)
def road_speed_mps(motor_speed_rpm: Number, drive_ratio: Number, rolling_circumference_m: Number) -> Any:
    """Speed over ground without slip.

    Parameters
    ----------
    motor_speed_rpm: motor speed, float or array [1/min], 0 or more.
    drive_ratio: motor turns for one turn of the driven wheel, above 0.
    rolling_circumference_m: ground covered by one turn of the wheel [m], above 0.

    Returns
    -------
    Speed [m/s].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(road_speed_mps(motor_speed_rpm=3000.0, drive_ratio=6.0, rolling_circumference_m=2.05), 4)
    17.0833
    """
    return plain(np.asarray(motor_speed_rpm) / np.asarray(drive_ratio) * rolling_circumference_m / 60.0)


@kernel(
    title="Motor speed at a road speed",
    formula="n = 60 · v · i / U",
    source="Kinematics.",
    returns="revolution/minute",
    speed_mps=not_negative(),
    drive_ratio=positive(),
    rolling_circumference_m=positive(),
)
def motor_speed_rpm(speed_mps: Number, drive_ratio: Number, rolling_circumference_m: Number) -> Any:
    """Motor speed for a speed over ground, without slip.

    Parameters
    ----------
    speed_mps: speed, float or array [m/s], 0 or more.
    drive_ratio: motor turns for one turn of the driven wheel, above 0.
    rolling_circumference_m: ground covered by one turn of the wheel [m], above 0.

    Returns
    -------
    Motor speed [1/min].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(motor_speed_rpm(speed_mps=14.085, drive_ratio=5.0, rolling_circumference_m=1.565), 6)
    2700.0
    """
    return plain(60.0 * np.asarray(speed_mps) * drive_ratio / np.asarray(rolling_circumference_m))


@kernel(
    title="No-load motor speed",
    formula="n₀ = K_v · U",
    source="Definition of the motor constant K_v: no-load speed for each volt.",
    returns="revolution/minute",
    motor_constant_rpm_per_v=positive(),
    voltage_v=not_negative(),
)
def no_load_speed_rpm(motor_constant_rpm_per_v: Number, voltage_v: Number) -> Any:
    """Speed at which a motor turns with nothing to drive. Under load it is lower.

    Parameters
    ----------
    motor_constant_rpm_per_v: motor constant, float or array [1/min/V], above 0.
    voltage_v: voltage at the motor [V], 0 or more.

    Returns
    -------
    Motor speed [1/min].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> no_load_speed_rpm(motor_constant_rpm_per_v=190.0, voltage_v=48.0)
    9120.0
    """
    return plain(np.asarray(motor_constant_rpm_per_v) * np.asarray(voltage_v))


@kernel(
    title="Drive ratio for a wanted speed",
    formula="i = n · U / (60 · v)",
    source="Kinematics.",
    motor_speed_rpm=positive(),
    speed_mps=positive(),
    rolling_circumference_m=positive(),
)
def drive_ratio_for_speed(motor_speed_rpm: Number, speed_mps: Number, rolling_circumference_m: Number) -> Any:
    """Ratio that gives a speed at a motor speed.

    Geared for a higher speed, the motor pulls less and draws more current; a ratio for a speed the
    power cannot reach makes the machine slower. More speed is also a longer way to stop.

    Parameters
    ----------
    motor_speed_rpm: motor speed, float or array [1/min], above 0.
    speed_mps: wanted speed over ground [m/s], above 0.
    rolling_circumference_m: ground covered by one turn of the wheel [m], above 0.

    Returns
    -------
    Motor turns for one turn of the driven wheel.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(drive_ratio_for_speed(3000.0, 17.0833333, 2.05), 4)
    6.0
    """
    return plain(np.asarray(motor_speed_rpm) * rolling_circumference_m / (60.0 * np.asarray(speed_mps)))


@kernel(
    title="Torque constant of a motor",
    formula="K_t = 60 / (2π K_v)",
    source="Energy balance of the ideal direct-current machine; K_v as volts of back-EMF at the terminals.",
    returns="newton*meter/ampere",
    motor_constant_rpm_per_v=positive(),
)
def torque_constant_nm_per_a(motor_constant_rpm_per_v: Number) -> Any:
    """Torque for each ampere, in the direct-current convention.

    Parameters
    ----------
    motor_constant_rpm_per_v: motor constant, float or array [1/min/V], above 0.

    Returns
    -------
    Torque constant [N·m/A].

    Raises
    ------
    ValueError: the constant is not above 0, not finite or not a number.

    Examples
    --------
    >>> round(torque_constant_nm_per_a(100.0), 6)
    0.095493
    """
    return plain(60.0 / (2.0 * math.pi * np.asarray(motor_constant_rpm_per_v)))


@kernel(
    title="Temperature margin",
    formula="T_limit − T",
    source="Definition. Windings and electronics age and fail above the limit: the maker's data decide.",
    returns="delta_degree_Celsius",
    limit_c=any_real(),
    hottest_c=any_real(),
)
def temperature_margin_c(limit_c: Number, hottest_c: Number) -> Any:
    """What is left to a temperature limit of motor or controller; negative is over it.

    Parameters
    ----------
    limit_c: highest temperature allowed, float or array [°C].
    hottest_c: hottest reading [°C].

    Returns
    -------
    Margin, a difference of temperatures [°C].

    Raises
    ------
    ValueError: an argument is not finite or not a number.

    Examples
    --------
    >>> temperature_margin_c(limit_c=110.0, hottest_c=85.0)
    25.0
    """
    return plain(np.asarray(limit_c) - np.asarray(hottest_c))


@kernel(
    title="Time that a motor stands a load",
    formula="without end up to its continuous rating, t_peak up to its peak rating, 0 above",
    source="IEC 60034-1:2022, duty types S1 (continuous) and S2 (short-time): a short-time rating holds for its time "
    "and from cold; the data sheet gives it.",
    returns="second",
    load_w=not_negative(),
    continuous_w=positive(),
    peak_w=positive(),
    peak_time_s=positive(),
)
def rated_time_s(load_w: Number, continuous_w: Number, peak_w: Number, peak_time_s: Number) -> Any:
    """How long a motor's data sheet lets it carry a load; between the ratings its peak time counts, never more.

    Parameters
    ----------
    load_w: power that it takes, float or array [W], 0 or more.
    continuous_w, peak_w: its ratings [W], above 0.
    peak_time_s: longest time at the peak rating [s], above 0.

    Returns
    -------
    Time [s]: infinite up to the continuous rating, 0 above the peak.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> rated_time_s(4000.0, continuous_w=3000.0, peak_w=5000.0, peak_time_s=20.0)
    20.0
    """
    load = np.asarray(load_w, dtype=np.float64)
    longest = np.where(load <= np.asarray(peak_w), np.asarray(peak_time_s), 0.0)
    return plain(np.where(load <= np.asarray(continuous_w), np.inf, longest))
