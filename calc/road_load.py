"""What holds the machine back: F = A + B v + C v², found by coasting down or riding steadily."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, any_real, kernel, not_negative, plain, positive, strictly_between
from calc.least_squares import fit_powers
from calc.least_squares import polynomial_fit as polynomial_fit

SAE = "SAE J1263 (road load measurement by coast-down); 40 CFR 1066.210 for A, B, C"


@kernel(
    title="Road load",
    formula="F = A + B v + C v²",
    source=SAE,
    returns="newton",
    speed_mps=not_negative(),
    a_n=not_negative(),
    b_n_per_mps=any_real(),
    c_n_per_mps2=not_negative(),
)
def force_n(speed_mps: Number, a_n: Number, b_n_per_mps: Number, c_n_per_mps2: Number) -> Any:
    """Force that holds the machine back at a speed, on level ground without wind.

    Parameters
    ----------
    speed_mps: speed, float or array [m/s], 0 or more.
    a_n: constant (rolling) part [N], 0 or more.
    b_n_per_mps: linear part [N/(m/s)].
    c_n_per_mps2: square (drag) part [N/(m/s)²], 0 or more.

    Returns
    -------
    Force [N].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> force_n(speed_mps=10.0, a_n=50.0, b_n_per_mps=1.0, c_n_per_mps2=0.4)
    100.0
    """
    speed = np.asarray(speed_mps)
    return plain(np.asarray(a_n) + np.asarray(b_n_per_mps) * speed + np.asarray(c_n_per_mps2) * speed**2)


@kernel(
    title="Power at a speed",
    formula="P = (A + B v + C v²) · v",
    source=SAE,
    returns="watt",
    speed_mps=not_negative(),
    a_n=not_negative(),
    b_n_per_mps=any_real(),
    c_n_per_mps2=not_negative(),
)
def power_w(speed_mps: Number, a_n: Number, b_n_per_mps: Number, c_n_per_mps2: Number) -> Any:
    """Power at the ground to hold a speed; battery power is more, by motor and drivetrain losses.

    Parameters
    ----------
    speed_mps, a_n, b_n_per_mps, c_n_per_mps2: as in `force_n`.

    Returns
    -------
    Power [W].

    Examples
    --------
    >>> power_w(speed_mps=10.0, a_n=50.0, b_n_per_mps=1.0, c_n_per_mps2=0.4)
    1000.0
    """
    return plain(np.asarray(speed_mps) * force_n(speed_mps, a_n, b_n_per_mps, c_n_per_mps2))


@kernel(
    title="Coast-down time",
    formula="t = ∫ m dv / (A + B v + C v²)",
    source=f"{SAE}; integral in closed form.",
    returns="second",
    mass_kg=positive(),
    a_n=not_negative(),
    b_n_per_mps=not_negative(),
    c_n_per_mps2=not_negative(),
    from_mps=positive(),
    to_mps=not_negative(),
)
def coast_down_time_s(
    mass_kg: float, a_n: float, b_n_per_mps: float, c_n_per_mps2: float, from_mps: float, to_mps: float
) -> float:
    """Time to coast from one speed down to another, on level ground without wind.

    Parameters
    ----------
    mass_kg: effective mass, wheels' inertia included [kg], above 0.
    a_n, b_n_per_mps, c_n_per_mps2: road load, each 0 or more, not all 0.
    from_mps, to_mps: speeds [m/s], the first higher; the second above 0 where a_n is 0.

    Returns
    -------
    Time [s].

    Raises
    ------
    ValueError: speeds in the wrong order, nothing holds the machine back, or it never gets there.

    Examples
    --------
    >>> round(coast_down_time_s(100.0, 0.0, 0.0, 0.0224 * 3.6**2, from_mps=70 / 3.6, to_mps=60 / 3.6), 4)
    2.9526
    """
    if from_mps <= to_mps:
        raise ValueError(f"from_mps must be above to_mps ({to_mps:g} m/s), got {from_mps:g} m/s")
    if a_n == 0 and to_mps == 0:
        raise ValueError("to_mps must be above 0 where a_n is 0: without a constant part it never stops")
    if a_n == b_n_per_mps == c_n_per_mps2 == 0:
        raise ValueError("a_n, b_n_per_mps and c_n_per_mps2 are all 0: nothing holds the machine back")

    def antiderivative(v: float) -> float:
        a, b, c = a_n, b_n_per_mps, c_n_per_mps2
        if c == 0:
            return v / a if b == 0 else math.log(a + b * v) / b
        discriminant = 4 * a * c - b * b
        if discriminant > 0:
            root = math.sqrt(discriminant)
            return 2 / root * math.atan((2 * c * v + b) / root)
        if discriminant == 0:
            return -2 / (2 * c * v + b)
        root = math.sqrt(-discriminant)
        return math.log((2 * c * v + b - root) / (2 * c * v + b + root)) / root

    return mass_kg * (antiderivative(from_mps) - antiderivative(to_mps))


class RoadLoad(NamedTuple):
    """A road load with the standard errors of its parts."""

    a_n: float
    b_n_per_mps: float
    c_n_per_mps2: float
    u_a_n: float
    u_b_n_per_mps: float
    u_c_n_per_mps2: float


@kernel(
    title="Road load from a coast-down",
    formula="m (vᵢ − vᵢ₊₁)/(tᵢ₊₁ − tᵢ) = A + B v + C v²  (least squares)",
    source=SAE,
    time_s=not_negative(),
    speed_mps=not_negative(),
    mass_kg=positive(),
)
def fit_coast_down(time_s: Number, speed_mps: Number, mass_kg: float, linear: bool = False) -> RoadLoad:
    """Road load from one coasting run.

    Run both ways and take `mean_of_directions`: wind and slope are in every single run.

    Parameters
    ----------
    time_s: growing sample times, 1-D array [s].
    speed_mps: speed at each, same length [m/s]; at least 5 samples (6 with the linear part).
    mass_kg: effective mass with rider [kg], above 0.
    linear: fit B too; on short runs B and C can hardly be told apart.

    Returns
    -------
    RoadLoad with standard errors.

    Raises
    ------
    ValueError: too few samples, lengths differ, times do not grow, or speeds hardly vary.

    Examples
    --------
    >>> load = fit_coast_down([0.0, 1.0, 2.0, 3.0, 4.0], [14.0, 13.5, 13.0, 12.5, 12.0], mass_kg=200.0)
    >>> round(load.a_n, 6), abs(round(load.c_n_per_mps2, 6))
    (100.0, 0.0)
    """
    times, speeds = np.atleast_1d(time_s), np.atleast_1d(speed_mps)
    if times.shape != speeds.shape or times.ndim != 1:
        raise ValueError(f"speed_mps must be as long as time_s ({times.size}), got {speeds.size} values")
    if (np.diff(times) <= 0).any():
        raise ValueError("time_s must grow from sample to sample")
    force = -mass_kg * np.diff(speeds) / np.diff(times)
    middle = (speeds[1:] + speeds[:-1]) / 2
    return _road_load(middle, force, (0, 1, 2) if linear else (0, 2), "speed_mps")


def _road_load(speed_mps: Any, force: Any, powers: tuple[int, ...], name: str) -> RoadLoad:
    fit = fit_powers(speed_mps, force, powers, name)
    values = dict(zip(powers, fit.coefficients.tolist(), strict=True))
    errors = dict(zip(powers, fit.standard_errors.tolist(), strict=True))
    return RoadLoad(*(values.get(power, 0.0) for power in range(3)), *(errors.get(power, 0.0) for power in range(3)))


@kernel(
    title="Road load from steady speeds",
    formula="η P / v = A + B v + C v²  (least squares)",
    source=f"{SAE}; efficiency η of motor and drivetrain assumed, common practice, no source.",
    speed_mps=positive(),
    power_w=not_negative(),
    efficiency=strictly_between(0.0, 1.0000001),
)
def fit_steady_speed(speed_mps: Number, power_w: Number, efficiency: float = 0.8, linear: bool = False) -> RoadLoad:
    """Road load from battery power at several steady speeds.

    Parameters
    ----------
    speed_mps: steady speeds, 1-D array of at least 3 different (4 with the linear part) [m/s], above 0.
    power_w: battery power at each, same length [W], 0 or more.
    efficiency: share of it that reaches the ground, above 0, at most 1.
    linear: fit B too.

    Returns
    -------
    RoadLoad with standard errors; an error of the efficiency is not in them.

    Raises
    ------
    ValueError: too few points, lengths differ, or an argument is out of range.

    Examples
    --------
    >>> load = fit_steady_speed([5.0, 10.0, 15.0], [300.0, 900.0, 2100.0], efficiency=0.8)
    >>> round(load.a_n, 1), round(load.c_n_per_mps2, 3)
    (40.0, 0.32)
    """
    speeds, powers_w = np.atleast_1d(speed_mps), np.atleast_1d(power_w)
    if speeds.shape != powers_w.shape:
        raise ValueError(f"power_w must be as long as speed_mps ({speeds.size}), got {powers_w.size} values")
    return _road_load(speeds, efficiency * powers_w / speeds, (0, 1, 2) if linear else (0, 2), "speed_mps")


def mean_of_directions(out: RoadLoad, back: RoadLoad) -> RoadLoad:
    """Mean of two coast-downs in opposite directions; a steady wind or slope mostly cancels.

    Parameters
    ----------
    out, back: road load each way.

    Returns
    -------
    RoadLoad; errors combined in quadrature (JCGM 100:2008, 5.1.2).

    Examples
    --------
    >>> mean_of_directions(RoadLoad(50.0, 0.0, 0.4, 3.0, 0.0, 0.0), RoadLoad(70.0, 0.0, 0.6, 4.0, 0.0, 0.0)).a_n
    60.0
    """
    values = [(first + second) / 2 for first, second in zip(out[:3], back[:3], strict=True)]
    errors = [math.hypot(first, second) / 2 for first, second in zip(out[3:], back[3:], strict=True)]
    return RoadLoad(*values, *errors)


@kernel(
    title="Rolling coefficient",
    formula="c_r = A / (m g_n)",
    source=f"{SAE}; g_n from ISO 80000-3:2019.",
    a_n=not_negative(),
    mass_kg=positive(),
)
def rolling_coefficient(a_n: Number, mass_kg: Number) -> Any:
    """The constant part as a share of the weight.

    Parameters
    ----------
    a_n: constant part of the road load, float or array [N], 0 or more.
    mass_kg: mass with rider [kg], above 0.

    Returns
    -------
    Coefficient, without unit.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(rolling_coefficient(a_n=98.0665, mass_kg=200.0), 6)
    0.05
    """
    return plain(np.asarray(a_n) / (np.asarray(mass_kg) * 9.80665))


@kernel(
    title="Drag area",
    formula="c_d A = 2 C / ρ",
    source="Definition of the drag coefficient; SAE J1594.",
    returns="meter**2",
    c_n_per_mps2=not_negative(),
    density_kg_per_m3=positive(),
)
def drag_area_m2(c_n_per_mps2: Number, density_kg_per_m3: Number) -> Any:
    """Drag coefficient times frontal area, from the square part of the road load.

    Parameters
    ----------
    c_n_per_mps2: square part, float or array [N/(m/s)²], 0 or more.
    density_kg_per_m3: air density on the day [kg/m³], above 0.

    Returns
    -------
    Drag area [m²].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> drag_area_m2(c_n_per_mps2=0.35, density_kg_per_m3=1.4)
    0.5
    """
    return plain(2.0 * np.asarray(c_n_per_mps2) / np.asarray(density_kg_per_m3))


@kernel(
    title="Top speed for a power",
    formula="(A + B v + C v²) · v = P, solved for v",
    source=SAE,
    returns="m/s",
    power_w=positive(),
    a_n=not_negative(),
    b_n_per_mps=not_negative(),
    c_n_per_mps2=not_negative(),
)
def top_speed_mps(power_w: float, a_n: float, b_n_per_mps: float, c_n_per_mps2: float) -> float:
    """Speed at which the power at the ground is used up, on level ground without wind.

    Gearing may end it sooner. Whether that speed can be stopped from is another question.

    Parameters
    ----------
    power_w: power at the ground [W], above 0.
    a_n, b_n_per_mps, c_n_per_mps2: road load, each 0 or more, not all 0.

    Returns
    -------
    Speed [m/s].

    Raises
    ------
    ValueError: nothing holds the machine back, or an argument is out of range.

    Examples
    --------
    >>> round(top_speed_mps(power_w=1000.0, a_n=50.0, b_n_per_mps=1.0, c_n_per_mps2=0.4), 6)
    10.0
    """
    if a_n == b_n_per_mps == c_n_per_mps2 == 0:
        raise ValueError("a_n, b_n_per_mps and c_n_per_mps2 are all 0: nothing holds the machine back")
    coefficients = np.array([c_n_per_mps2, b_n_per_mps, a_n, -power_w])
    roots = np.roots(np.trim_zeros(coefficients, "f"))
    return float(max(root.real for root in roots if abs(root.imag) < 1e-9 * max(1.0, abs(root.real))))


@kernel(
    title="Consumption at a steady speed",
    formula="c = F / (3.6 η)",
    source=f"{SAE}; 1 Wh/km = 3.6 N.",
    returns="watt*hour/kilometer",
    speed_mps=not_negative(),
    a_n=not_negative(),
    b_n_per_mps=any_real(),
    c_n_per_mps2=not_negative(),
    efficiency=strictly_between(0.0, 1.0000001),
)
def consumption_wh_per_km(
    speed_mps: Number, a_n: Number, b_n_per_mps: Number, c_n_per_mps2: Number, efficiency: Number = 0.8
) -> Any:
    """Battery energy for each kilometre at a steady speed.

    Parameters
    ----------
    speed_mps, a_n, b_n_per_mps, c_n_per_mps2: as in `force_n`.
    efficiency: share of battery energy that reaches the ground, above 0, at most 1.

    Returns
    -------
    Consumption [Wh/km].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(consumption_wh_per_km(10.0, 50.0, 1.0, 0.4, efficiency=0.8), 4)
    34.7222
    """
    return plain(force_n(speed_mps, a_n, b_n_per_mps, c_n_per_mps2) / (3.6 * np.asarray(efficiency)))
