"""How far and how long the pack still lasts.

A reserve is a share of the full pack: it is the same number of watt-hours from the first kilometre to
the last, so that at a charge equal to the reserve nothing may be spent any more.

Cold, wind, soft snow and an ageing pack shorten every figure here. Turn back before the number
says so, carry what you need to walk home, and tell somebody where you are.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.declaration import Measured, Number, Range, between, kernel, not_negative, plain, positive

RESERVE = Range(0.0, 1.0, includes_high=False)
RESERVE_SOURCE = "Definition; a reserve as a share r of the full pack: common practice, no source."


def _above_reserve_wh(energy_left_wh: Number, usable_energy_wh: Number, reserve_fraction: Number) -> Any:
    """What is left less the reserve; negative where the reserve is already being used."""
    return np.asarray(energy_left_wh) - np.asarray(reserve_fraction) * np.asarray(usable_energy_wh)


@kernel(
    title="Energy left",
    formula="E_left = E_usable − E_used",
    source="Definition.",
    returns="watt*hour",
    usable_energy_wh=positive(),
    used_energy_wh=not_negative(),
)
def energy_left_wh(usable_energy_wh: Number, used_energy_wh: Number) -> Any:
    """What is left of a pack's usable energy.

    Parameters
    ----------
    usable_energy_wh: energy of the full pack, float or array [Wh], above 0.
    used_energy_wh: energy used since it was full [Wh], 0 or more.

    Returns
    -------
    Energy [Wh]; 0 where more was used than was thought to be there.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> energy_left_wh(usable_energy_wh=2000.0, used_energy_wh=500.0)
    1500.0
    """
    return plain(np.maximum(0.0, np.asarray(usable_energy_wh) - np.asarray(used_energy_wh)))


@kernel(
    title="Energy that may still be spent",
    formula="E = E_usable − E_used − r · E_usable",
    source=RESERVE_SOURCE,
    returns="watt*hour",
    usable_energy_wh=positive(),
    used_energy_wh=not_negative(),
    reserve_fraction=RESERVE,
)
def remaining_energy_wh(usable_energy_wh: Number, used_energy_wh: Number, reserve_fraction: Number) -> Any:
    """What is left less the reserve, as the ranges and the runtime below count it.

    The reserve is already out: do not hand this on as `energy_left_wh`, which would keep it twice.

    Parameters
    ----------
    usable_energy_wh: energy of the full pack, float or array [Wh], above 0.
    used_energy_wh: energy used since it was full [Wh], 0 or more.
    reserve_fraction: share of the full pack that is kept, 0 to below 1.

    Returns
    -------
    Energy [Wh]; 0 where no more than the reserve is left.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> remaining_energy_wh(usable_energy_wh=2000.0, used_energy_wh=1000.0, reserve_fraction=0.25)
    500.0
    """
    left_wh = energy_left_wh(usable_energy_wh, used_energy_wh)
    return plain(np.maximum(0.0, _above_reserve_wh(left_wh, usable_energy_wh, reserve_fraction)))


@kernel(
    title="Remaining range",
    formula="s = (E_left − r · E_usable) / c",
    source=RESERVE_SOURCE,
    returns="meter",
    energy_left_wh=not_negative(),
    usable_energy_wh=positive(),
    reserve_fraction=RESERVE,
    consumption_wh_per_km=positive(),
)
def remaining_range_m(
    energy_left_wh: Number, usable_energy_wh: Number, reserve_fraction: Number, consumption_wh_per_km: Number
) -> Any:
    """Distance that what is left, less the reserve, still gives.

    Parameters
    ----------
    energy_left_wh: energy left, float or array [Wh], 0 or more.
    usable_energy_wh: energy of the full pack [Wh], above 0.
    reserve_fraction: share of the full pack that is kept, 0 to below 1.
    consumption_wh_per_km: energy per kilometre expected from here on [Wh/km], above 0.

    Returns
    -------
    Distance [m]; 0 where no more than the reserve is left.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> remaining_range_m(energy_left_wh=1000.0, usable_energy_wh=1000.0, reserve_fraction=0.2,
    ...                   consumption_wh_per_km=40.0)
    20000.0
    >>> remaining_range_m(energy_left_wh=200.0, usable_energy_wh=1000.0, reserve_fraction=0.2,
    ...                   consumption_wh_per_km=40.0)
    0.0
    """
    spare = _above_reserve_wh(energy_left_wh, usable_energy_wh, reserve_fraction)
    return plain(np.maximum(0.0, 1000.0 * spare / np.asarray(consumption_wh_per_km)))


@kernel(
    title="Remaining range, with its uncertainty",
    formula="u(s) = √[(u(E) / c)² + (s · u(c) / c)² − 2ρ · s · u(E) · u(c) / c²],  E = E_left − r · E_usable",
    source="JCGM 100:2008, 5.1.2 and, for a correlation ρ, 5.2.2.",
    returns="meter",
    energy_left_wh=not_negative(),
    usable_energy_wh=positive(),
    reserve_fraction=RESERVE,
    consumption_wh_per_km=positive(),
    u_energy_left_wh=not_negative(),
    u_consumption_wh_per_km=not_negative(),
    energy_consumption_correlation=between(-1.0, 1.0),
)
def remaining_range(
    energy_left_wh: Number,
    usable_energy_wh: Number,
    reserve_fraction: Number,
    consumption_wh_per_km: Number,
    u_energy_left_wh: Number = 0.0,
    u_consumption_wh_per_km: Number = 0.0,
    energy_consumption_correlation: Number = 0.0,
) -> Measured:
    """Remaining range with its standard uncertainty.

    Parameters
    ----------
    energy_left_wh, usable_energy_wh, reserve_fraction, consumption_wh_per_km: as in `remaining_range_m`.
    u_energy_left_wh: standard uncertainty of what is left less the reserve, 0 or more: a pack that holds
        less than was thought has less left, and a smaller reserve too.
    u_consumption_wh_per_km: standard uncertainty, 0 or more.
    energy_consumption_correlation: between the errors of the two, −1 to 1. Where one charge counter gave
        both it is negative: a counter that reads too little shows more left and less used for each kilometre.

    Returns
    -------
    Measured distance [m]. At 0 the uncertainty says how near the reserve is, either side.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> remaining_range(1000.0, 1000.0, 0.2, 40.0, u_energy_left_wh=24.0, u_consumption_wh_per_km=1.6)
    Measured(value=20000.0, u=1000.0)
    """
    value_m = remaining_range_m(energy_left_wh, usable_energy_wh, reserve_fraction, consumption_wh_per_km)
    consumption = np.asarray(consumption_wh_per_km)
    from_energy = 1000.0 * np.asarray(u_energy_left_wh) / consumption
    from_consumption = np.asarray(value_m) * np.asarray(u_consumption_wh_per_km) / consumption
    shared = np.asarray(energy_consumption_correlation) * from_energy * from_consumption
    # With a correlation of 1 the sum is a square that rounding may leave just under 0.
    square = np.maximum(0.0, from_energy**2 + from_consumption**2 - 2.0 * shared)
    return Measured(value_m, plain(np.sqrt(square)))


@kernel(
    title="Remaining runtime",
    formula="t = (E_left − r · E_usable) / P",
    source=RESERVE_SOURCE,
    returns="second",
    energy_left_wh=not_negative(),
    usable_energy_wh=positive(),
    reserve_fraction=RESERVE,
    mean_power_w=positive(),
)
def runtime_s(energy_left_wh: Number, usable_energy_wh: Number, reserve_fraction: Number, mean_power_w: Number) -> Any:
    """Time that what is left, less the reserve, still gives.

    Parameters
    ----------
    energy_left_wh: energy left, float or array [Wh], 0 or more.
    usable_energy_wh: energy of the full pack [Wh], above 0.
    reserve_fraction: share of the full pack that is kept, 0 to below 1.
    mean_power_w: mean power expected from here on [W], above 0.

    Returns
    -------
    Time [s]; 0 where no more than the reserve is left.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> runtime_s(energy_left_wh=1000.0, usable_energy_wh=1000.0, reserve_fraction=0.1, mean_power_w=900.0)
    3600.0
    """
    spare = _above_reserve_wh(energy_left_wh, usable_energy_wh, reserve_fraction)
    return plain(np.maximum(0.0, 3600.0 * spare / np.asarray(mean_power_w)))


@kernel(
    title="Turn-back distance",
    formula="d = (E_left − r · E_usable − c_home · x) / (c_out + c_home)",
    source="Energy balance: out d at c_out, then home d + x at c_home.",
    returns="meter",
    energy_left_wh=not_negative(),
    usable_energy_wh=positive(),
    reserve_fraction=RESERVE,
    consumption_out_wh_per_km=positive(),
    consumption_home_wh_per_km=positive(),
    distance_from_home_m=not_negative(),
)
def turn_back_distance_m(
    energy_left_wh: Number,
    usable_energy_wh: Number,
    reserve_fraction: Number,
    consumption_out_wh_per_km: Number,
    consumption_home_wh_per_km: Number,
    distance_from_home_m: Number = 0.0,
) -> Any:
    """How much farther out the rider may go and still come home with the reserve.

    Parameters
    ----------
    energy_left_wh: energy left now, float or array [Wh], 0 or more.
    usable_energy_wh: energy of the full pack [Wh], above 0.
    reserve_fraction: share of the full pack that is kept, 0 to below 1.
    consumption_out_wh_per_km: energy per kilometre farther out [Wh/km], above 0.
    consumption_home_wh_per_km: energy per kilometre on the way home, for example into the wind, above 0.
    distance_from_home_m: how far from home one is already [m], 0 or more.

    Returns
    -------
    Distance [m]; 0 means turn back now, or that the way home no longer fits into what is left:
    `home_margin_wh` tells the two apart.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> turn_back_distance_m(1000.0, 1000.0, 0.2, consumption_out_wh_per_km=35.0, consumption_home_wh_per_km=45.0)
    10000.0
    """
    home = np.asarray(consumption_home_wh_per_km)
    above_reserve_wh = _above_reserve_wh(energy_left_wh, usable_energy_wh, reserve_fraction)
    spare = above_reserve_wh - home * np.asarray(distance_from_home_m) / 1000.0
    return plain(np.maximum(0.0, 1000.0 * spare / (np.asarray(consumption_out_wh_per_km) + home)))


@kernel(
    title="Energy over after the way home",
    formula="E_left − r · E_usable − c_home · x",
    source="Energy balance.",
    returns="watt*hour",
    energy_left_wh=not_negative(),
    usable_energy_wh=positive(),
    reserve_fraction=RESERVE,
    consumption_home_wh_per_km=positive(),
    distance_from_home_m=not_negative(),
)
def home_margin_wh(
    energy_left_wh: Number,
    usable_energy_wh: Number,
    reserve_fraction: Number,
    consumption_home_wh_per_km: Number,
    distance_from_home_m: Number,
) -> Any:
    """What would be over at home, beside the reserve, if one turned back now.

    Parameters
    ----------
    energy_left_wh: energy left now, float or array [Wh], 0 or more.
    usable_energy_wh: energy of the full pack [Wh], above 0.
    reserve_fraction: share of the full pack that is kept, 0 to below 1.
    consumption_home_wh_per_km: energy per kilometre on the way home [Wh/km], above 0.
    distance_from_home_m: way home [m], 0 or more.

    Returns
    -------
    Energy [Wh]; negative is short: the reserve, and then the rider's legs, must make it up.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> home_margin_wh(600.0, 1000.0, 0.2, consumption_home_wh_per_km=45.0, distance_from_home_m=10000.0)
    -50.0
    """
    above_reserve_wh = _above_reserve_wh(energy_left_wh, usable_energy_wh, reserve_fraction)
    return plain(above_reserve_wh - np.asarray(consumption_home_wh_per_km) * np.asarray(distance_from_home_m) / 1000.0)


@kernel(
    title="Turn-back distance, with its uncertainty",
    formula="u(d) = √[u(E)² + u_o² + u_h² + 2ρ u_o u_h − 2ρ_E u(E) (u_o + u_h)] / (c_out + c_home),"
    "  u_o = d · u(c_out),  u_h = (d + x) · u(c_home),  E = E_left − r · E_usable",
    source="JCGM 100:2008, 5.1.2 and, for the correlations ρ and ρ_E, 5.2.2.",
    returns="meter",
    energy_left_wh=not_negative(),
    usable_energy_wh=positive(),
    reserve_fraction=RESERVE,
    consumption_out_wh_per_km=positive(),
    consumption_home_wh_per_km=positive(),
    u_energy_left_wh=not_negative(),
    u_consumption_out_wh_per_km=not_negative(),
    u_consumption_home_wh_per_km=not_negative(),
    distance_from_home_m=not_negative(),
    consumption_correlation=between(-1.0, 1.0),
    energy_consumption_correlation=between(-1.0, 1.0),
)
def turn_back_distance(
    energy_left_wh: Number,
    usable_energy_wh: Number,
    reserve_fraction: Number,
    consumption_out_wh_per_km: Number,
    consumption_home_wh_per_km: Number,
    u_energy_left_wh: Number = 0.0,
    u_consumption_out_wh_per_km: Number = 0.0,
    u_consumption_home_wh_per_km: Number = 0.0,
    distance_from_home_m: Number = 0.0,
    consumption_correlation: Number = 0.0,
    energy_consumption_correlation: Number = 0.0,
) -> Measured:
    """Turn-back distance with its standard uncertainty.

    Parameters
    ----------
    energy_left_wh, usable_energy_wh, reserve_fraction, consumption_out_wh_per_km,
        consumption_home_wh_per_km, distance_from_home_m: as in `turn_back_distance_m`.
    u_energy_left_wh: standard uncertainty of what is left less the reserve, as in `remaining_range`.
    u_consumption_out_wh_per_km, u_consumption_home_wh_per_km: standard uncertainties, 0 or more.
    consumption_correlation: between the errors of the two consumptions, −1 to 1. Give 1 where both
        are one and the same figure: its error then counts both ways, and 0 would say too little.
    energy_consumption_correlation: between the errors of the energy left and of either consumption,
        −1 to 1; negative where one charge counter gave both.

    Returns
    -------
    Measured distance [m]. At 0 the uncertainty says how near the turning point is, either side.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> turn_back_distance(1000.0, 1000.0, 0.2, 40.0, 40.0, u_energy_left_wh=80.0)
    Measured(value=10000.0, u=1000.0)
    """
    energy = (energy_left_wh, usable_energy_wh, reserve_fraction)
    consumptions = (consumption_out_wh_per_km, consumption_home_wh_per_km)
    value_m = turn_back_distance_m(*energy, *consumptions, distance_from_home_m)
    both = np.asarray(consumption_out_wh_per_km) + np.asarray(consumption_home_wh_per_km)
    from_energy = 1000.0 * np.asarray(u_energy_left_wh)
    from_out = np.asarray(value_m) * np.asarray(u_consumption_out_wh_per_km)
    from_home = (np.asarray(value_m) + np.asarray(distance_from_home_m)) * np.asarray(u_consumption_home_wh_per_km)
    shared = np.asarray(consumption_correlation) * from_out * from_home
    shared = shared - np.asarray(energy_consumption_correlation) * from_energy * (from_out + from_home)
    # With correlations of ±1 the sum is a square that rounding may leave just under 0.
    square = np.maximum(0.0, from_energy**2 + from_out**2 + from_home**2 + 2.0 * shared)
    return Measured(value_m, plain(np.sqrt(square) / both))
