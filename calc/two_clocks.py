"""A gate watched by two persons with a clock each: which moments make a pass, and how well it is timed."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from calc.declaration import Measured, Number, between, kernel, not_negative, plain

SLOWEST_MPS = 0.7
FASTEST_MPS = 70.0
"""Mean speeds outside these make no pass: somebody walked, or a mark was missed (common practice, no source)."""

CLEARLY_LONGER = 3.0
"""How many times as long the way round takes as the way through the gate (common practice, no source)."""


@kernel(
    title="Time between two persons' clocks",
    formula="t = t₂ − t₁,  u(t)² = u(t₁)² + u(t₂)²",
    source="JCGM 100:2008, 5.1.2, for two clocks that were each compared with one server; offset and delay of a "
    "comparison as in RFC 5905, section 8.",
    returns="s",
    first_s=not_negative(),
    second_s=not_negative(),
    u_first_s=between(0.0, 3600.0),
    u_second_s=between(0.0, 3600.0),
)
def two_clock_duration(first_s: Number, second_s: Number, u_first_s: Number, u_second_s: Number) -> Measured:
    """Duration between two moments that were kept by two clocks, with the uncertainty of both.

    Parameters
    ----------
    first_s, second_s: moments on the common scale, float or array [s], 0 or more, the second after the first.
    u_first_s, u_second_s: their standard uncertainties, of the clocks and of the thumbs [s], 0 to 3600.

    Returns
    -------
    Measured duration [s].

    Raises
    ------
    ValueError: an argument is out of range, or the second moment is not after the first.

    Examples
    --------
    >>> measured = two_clock_duration(first_s=2.0, second_s=9.5, u_first_s=0.03, u_second_s=0.04)
    >>> measured.value, round(measured.u, 4)
    (7.5, 0.05)
    """
    duration_s = np.asarray(second_s) - np.asarray(first_s)
    if np.any(duration_s <= 0):
        raise ValueError(f"second_s must be after first_s, got {second_s} s after {first_s} s")
    return Measured(plain(duration_s), plain(np.hypot(u_first_s, u_second_s)))


def pairs_of_marks(times_s: Sequence[float], at_last: Sequence[bool], length_m: float) -> list[tuple[int, int]]:
    """Which moments at the two ends of a gate make a pass.

    Two make one where they follow each other, at different ends, at a mean speed from 0.7 to 70 m/s, and the way to
    any other neighbour that fits took at least three times as long: nothing gets from one end to the other sooner than
    by riding through the gate, and where the two are alike, a mark was missed and nobody knows which one is right.

    Parameters
    ----------
    times_s: moments on one scale, in their order [s].
    at_last: of each, whether it was at the gate's last mark, or else at the first.
    length_m: length of the gate [m], above 0.

    Returns
    -------
    Positions of the earlier and the later moment of each pass.
    """

    def duration_s(earlier: int) -> float:
        """Of the ride between a moment and the next; infinite where it is none."""
        later = earlier + 1
        if not (earlier >= 0 and later < len(times_s)) or at_last[earlier] == at_last[later]:
            return math.inf
        ride_s = times_s[later] - times_s[earlier]
        return ride_s if length_m / FASTEST_MPS <= ride_s <= length_m / SLOWEST_MPS else math.inf

    return [
        (earlier, earlier + 1)
        for earlier in range(len(times_s) - 1)
        if duration_s(earlier) * CLEARLY_LONGER <= min(duration_s(earlier - 1), duration_s(earlier + 1))
        and duration_s(earlier) < math.inf
    ]
