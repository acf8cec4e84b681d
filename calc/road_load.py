"""What holds the machine back: F = A + B v + C v², found by coasting down or riding steadily."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.declaration import Number, any_real, kernel, not_negative, plain, positive
from calc.least_squares import EFFICIENCY, SAE
from calc.least_squares import RoadLoad as RoadLoad
from calc.least_squares import fit_steady_speed as fit_steady_speed
from calc.least_squares import polynomial_fit as polynomial_fit


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

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

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
    mass_kg: Number, a_n: Number, b_n_per_mps: Number, c_n_per_mps2: Number, from_mps: Number, to_mps: Number
) -> Any:
    """Time to coast from one speed down to another, on level ground without wind.

    Parameters
    ----------
    mass_kg: effective mass, wheels' inertia included, float or array [kg], above 0.
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
    a, b, c, high, low = (np.asarray(values) for values in (a_n, b_n_per_mps, c_n_per_mps2, from_mps, to_mps))
    if np.any(high <= low):
        raise ValueError(f"from_mps must be above to_mps ({to_mps} m/s), got {from_mps} m/s")
    _something_holds_back(a, b, c)
    if np.any((a == 0) & (low == 0)):
        raise ValueError("to_mps must be above 0 where a_n is 0: without a constant part it never stops")
    # The two ends of the integral, joined into one arc tangent: apart they nearly cancel where B² is close to 4AC.
    span, middle = high - low, 2 * a + b * (high + low) + 2 * c * high * low
    root = np.sqrt(np.abs(4 * a * c - b * b))
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        bent = np.where(4 * a * c > b * b, np.arctan(root * span / middle), np.arctanh(root * span / middle)) / root
        time_s = np.asarray(mass_kg) * 2 * np.where(root * span / middle > 0, bent, span / middle)
    if not np.isfinite(time_s).all():
        raise ValueError(f"to_mps is too slow to be reached: a_n of {a_n} N hardly holds the machine back there")
    return plain(time_s)


def _something_holds_back(a_n: Any, b_n_per_mps: Any, c_n_per_mps2: Any) -> None:
    if np.any((a_n == 0) & (b_n_per_mps == 0) & (c_n_per_mps2 == 0)):
        raise ValueError("a_n, b_n_per_mps and c_n_per_mps2 are all 0: nothing holds the machine back")


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
def top_speed_mps(power_w: Number, a_n: Number, b_n_per_mps: Number, c_n_per_mps2: Number) -> Any:
    """Speed at which the power at the ground is used up, on level ground without wind.

    Gearing may end it sooner. Whether that speed can be stopped from is another question.

    Parameters
    ----------
    power_w: power at the ground, float or array [W], above 0.
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
    power, a, b, c = (np.asarray(values) for values in (power_w, a_n, b_n_per_mps, c_n_per_mps2))
    _something_holds_back(a, b, c)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        # Each part of the road load alone allows a higher speed than all of them together.
        speed = np.minimum(np.minimum(power / a, np.sqrt(power / b)), np.cbrt(power / c))
        # From above Newton's steps on a convex curve only come down; the second half of them are spare.
        for _ in range(16):
            speed = speed - (((c * speed + b) * speed + a) * speed - power) / ((3 * c * speed + 2 * b) * speed + a)
    return plain(speed)


@kernel(
    title="Consumption at a steady speed",
    formula="c = F / (3.6 η)",
    source=f"{SAE}; 1 Wh/km = 3.6 N.",
    returns="watt*hour/kilometer",
    speed_mps=not_negative(),
    a_n=not_negative(),
    b_n_per_mps=any_real(),
    c_n_per_mps2=not_negative(),
    efficiency=EFFICIENCY,
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
