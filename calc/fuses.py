"""Fuses: between which load and which cable, and how fast they open.

Plans only. High current burns and kills: a qualified person and the local electrical code decide, and the data sheet of
the fuse comes before any table here.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, Numbers, between, kernel, not_negative, plain, positive

BLADE, GG = "blade", "gg"
KINDS = ((BLADE, "Blade fuse (ISO 8820-3)"), (GG, "gG (IEC 60269)"), ("other", "Another kind, by its data sheet"))

BLADE_FUSE = ((1.35, 600.0), (2.0, 5.0), (3.5, 0.5), (6.0, 0.15))
"""Multiples of its rating and the longest a blade fuse may then take [s]: the 35 to 40 A rows of a maker's data sheet
that names ISO 8820-3."""

GG_RATING_A = (16.0, 20.0, 25.0, 32.0, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0)
GG_WITHIN_5_S_A = (
    65.0, 85.0, 110.0, 150.0, 190.0, 250.0, 320.0, 425.0, 580.0, 715.0, 950.0, 1250.0, 1650.0, 2200.0, 2840.0,
)  # fmt: skip
GG_WITHIN_01_S_A = (
    150.0, 200.0, 260.0, 350.0, 450.0, 610.0, 820.0, 1100.0, 1450.0, 1910.0, 2590.0, 3420.0, 4500.0, 6000.0, 8060.0,
)  # fmt: skip
"""IEC 60269-1, gates of gG fuse-links: at these currents they open within 5 s and 0.1 s. From memory; the read curves
of one maker's 14 sizes come within 15 % of them, so that much is added (`GG_MARGIN`)."""
GG_MARGIN = 1.15
GG_FUSING = 1.6
"""Conventional fusing current over the rating, IEC 60269-1, above 16 A: reached, it opens within 1 h up to 63 A, 2 h up
to 160 A, 3 h up to 400 A."""
OVERLOADED = 1.45
"""What opens a fuse may be at most so many times what its cable carries: IEC 60364-4-43, 433.1."""


class Protection(NamedTuple):
    """A fuse between its load and its cable; below 0 it does not do its work."""

    over_load_a: Any
    under_cable_a: Any


@kernel(
    title="Fuse between load and cable",
    formula="I_B ≤ I_n ≤ I_z:  I_n − I_B  and  I_z − I_n",
    source="IEC 60364-4-43:2008, 433.1.",
    load_a=not_negative(),
    fuse_a=positive(),
    cable_a=positive(),
)
def fuse_protection(load_a: Number, fuse_a: Number, cable_a: Number) -> Protection:
    """Whether a fuse carries its load, and blows before its cable burns.

    Parameters
    ----------
    load_a: continuous current of the load, float or array [A], 0 or more.
    fuse_a: rating of the fuse [A], above 0.
    cable_a: current that the cable carries continuously [A], above 0.

    Returns
    -------
    Protection: the fuse above the load, and below the cable [A].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> fuse_protection(load_a=40.0, fuse_a=50.0, cable_a=57.0)
    Protection(over_load_a=10.0, under_cable_a=7.0)
    """
    fuse = np.asarray(fuse_a)
    return Protection(plain(fuse - np.asarray(load_a)), plain(np.asarray(cable_a) - fuse))


@kernel(
    title="Overload that a fuse lets through",
    formula="I_2 ≤ 1.45 I_z:  1.45 I_z − I_2",
    source="IEC 60364-4-43:2008, 433.1. I_2 is 1.6 I_n for gG above 16 A (IEC 60269-1), 1.35 I_n for blade fuses "
    "(ISO 8820-3).",
    returns="ampere",
    fusing_a=positive(),
    cable_a=positive(),
)
def overload_margin_a(fusing_a: Number, cable_a: Number) -> Any:
    """How far what surely opens a fuse lies below the overload that its cable stands until then.

    Parameters
    ----------
    fusing_a: current at which the fuse surely opens in its conventional time, float or array [A], above 0.
    cable_a: current that the cable carries continuously [A], above 0.

    Returns
    -------
    Current [A]; below 0 an overload heats the cable too far before the fuse opens.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> overload_margin_a(fusing_a=80.0, cable_a=57.0)
    2.65
    """
    return plain(np.round(OVERLOADED * np.asarray(cable_a) - np.asarray(fusing_a), 9))


@kernel(
    title="Longest time until a fuse opens",
    formula="between the points of its data sheet, straight in log t over log I",
    source="Time-current curves are drawn on both logarithmic axes: IEC 60269-1.",
    returns="second",
    current_a=positive(),
    point_current_a=positive(),
    point_time_s=positive(),
)
def longest_opening_s(current_a: Number, point_current_a: Numbers, point_time_s: Numbers) -> Any:
    """Within which time a fuse has opened, by points of its curve.

    Parameters
    ----------
    current_a: current through it, float or array [A], above 0.
    point_current_a, point_time_s: currents, growing, and the longest time of each; 1-D arrays [A], [s].

    Returns
    -------
    Time [s]: infinite below the first current, where the curve promises nothing; above the last that of the last.

    Raises
    ------
    ValueError: lengths differ, currents do not grow, or an argument is out of range.

    Examples
    --------
    >>> longest_opening_s(80.0, [54.0, 80.0], [600.0, 5.0]), longest_opening_s(50.0, [54.0, 80.0], [600.0, 5.0])
    (5.0, inf)
    """
    currents = np.atleast_1d(np.asarray(point_current_a, dtype=np.float64))
    times = np.atleast_1d(np.asarray(point_time_s, dtype=np.float64))
    if currents.shape != times.shape:
        raise ValueError(f"point_time_s must be as long as point_current_a ({currents.size}), got {times.size}")
    if np.any(np.diff(currents) <= 0):
        raise ValueError("point_current_a must grow from point to point, for example 54, 80, 140")
    current = np.asarray(current_a, dtype=np.float64)
    longest = np.exp(np.interp(np.log(current), np.log(currents), np.log(times)))
    return plain(np.where(current < currents[0] * (1 - 1e-12), np.inf, np.round(longest, 12)))


@kernel(
    title="Longest time of a blade fuse",
    formula="between the points of its table, straight in log t over log I/I_n",
    source="ISO 8820-3 by a maker's data sheet (35 to 40 A): 135 % 600 s, 200 % 5 s, 350 % 0.5 s, 600 % 0.15 s.",
    returns="second",
    rating_a=positive(),
    current_a=positive(),
)
def fuse_longest_s(rating_a: Number, current_a: Number) -> Any:
    """Time within which a blade fuse must have opened; other kinds of fuse have curves of their own.

    Parameters
    ----------
    rating_a: rated current, float or array [A], above 0.
    current_a: current through it [A], above 0.

    Returns
    -------
    Time [s]: infinite below 135 % of the rating, where a fuse need not open at all; 0.15 s above 600 %.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> fuse_longest_s(40.0, 80.0), fuse_longest_s(40.0, 50.0)
    (5.0, inf)
    """
    multiples, times = np.array(BLADE_FUSE).T
    return longest_opening_s(np.asarray(current_a, dtype=np.float64) / np.asarray(rating_a), multiples, times)


@kernel(
    title="Longest time of a gG fuse",
    formula="its conventional time from 1.6 I_n on, 5 s and 0.1 s from its gates on",
    source="IEC 60269-1: conventional times and gates of gG; the gates from memory with 15 % added, which the curves "
    "of one maker's fuses need.",
    returns="second",
    rating_a=between(GG_RATING_A[0], GG_RATING_A[-1]),
    current_a=positive(),
)
def gg_fuse_longest_s(rating_a: float, current_a: Number) -> Any:
    """Time within which a gG fuse-link must have opened; the standard promises nothing between its points.

    Parameters
    ----------
    rating_a: rated current [A], 16 to 400; between two of the standard the larger counts.
    current_a: current through it, float or array [A], above 0.

    Returns
    -------
    Time [s]: infinite below 160 % of the rating; 0.1 s above its gate there.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> gg_fuse_longest_s(50.0, 70.0), gg_fuse_longest_s(50.0, 80.0), gg_fuse_longest_s(50.0, 2000.0)
    (inf, 3600.0, 0.1)
    """
    row = int(np.searchsorted(GG_RATING_A, rating_a * (1 - 1e-9)))
    hours = 1.0 if rating_a <= 63.0 else 2.0 if rating_a <= 160.0 else 3.0
    currents = [GG_FUSING * rating_a, GG_MARGIN * GG_WITHIN_5_S_A[row], GG_MARGIN * GG_WITHIN_01_S_A[row]]
    times = np.array([np.inf, 3600.0 * hours, 5.0, 0.1])
    return plain(times[np.searchsorted(currents, np.asarray(current_a, dtype=np.float64) * (1 + 1e-12), side="right")])


def fusing_current_a(kind: str, rating_a: float) -> float | None:
    """What surely opens a fuse of a kind in its conventional time [A]; None where no standard here says it.

    Examples
    --------
    >>> fusing_current_a(GG, 50.0), fusing_current_a(BLADE, 40.0), fusing_current_a("other", 40.0)
    (80.0, 54.0, None)
    """
    if kind == BLADE:
        return BLADE_FUSE[0][0] * rating_a
    return GG_FUSING * rating_a if kind == GG and _is_in_table(rating_a) else None


def longest_s(kind: str, rating_a: float, current_a: float) -> float | None:
    """Within which time a fuse of a kind has opened [s]; None where no table here says it.

    Examples
    --------
    >>> longest_s(BLADE, 40.0, 80.0), longest_s("other", 40.0, 80.0), longest_s(GG, 10.0, 80.0)
    (5.0, None, None)
    """
    if kind == BLADE:
        return float(fuse_longest_s(rating_a, current_a))
    return float(gg_fuse_longest_s(rating_a, current_a)) if kind == GG and _is_in_table(rating_a) else None


def _is_in_table(rating_a: float) -> bool:
    return GG_RATING_A[0] <= rating_a <= GG_RATING_A[-1]
