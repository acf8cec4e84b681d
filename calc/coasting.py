"""Stretches of a log that tell something by themselves: coasting, and time spent beyond a limit."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, any_real, kernel, not_negative, positive


class Stretches(NamedTuple):
    """Rows from `start_row` up to, but without, `stop_row`: whole-number arrays of one length."""

    start_row: Any
    stop_row: Any


def _stretches(holds: Any) -> Stretches:
    """Where a row of truths holds without a break."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(np.int8)))
    return Stretches(edges[::2], edges[1::2])


@kernel(
    title="Coasting found in a log",
    formula="|I| ≤ I_idle while the speed falls by Δv or more, for t or longer",
    source="A coast-down run: SAE J1263. How still, how long and how far: common practice, no source.",
    time_s=any_real(),
    speed_mps=not_negative(),
    current_a=any_real(),
    idle_current_a=not_negative(),
    shortest_s=positive(),
    smallest_drop_mps=positive(),
)
def coasting_stretches(
    time_s: Number,
    speed_mps: Number,
    current_a: Number,
    idle_current_a: float = 0.5,
    shortest_s: float = 4.0,
    smallest_drop_mps: float = 2.0,
) -> Stretches:
    """Where the machine rolled without power, from its fastest to its slowest.

    A hand on the brake cannot be told from the road in a log: a person accepts or refuses each stretch.

    Parameters
    ----------
    time_s: growing times, 1-D array [s].
    speed_mps, current_a: speed [m/s, 0 or more] and battery current [A] at each, same length.
    idle_current_a: what the electronics draw while coasting, at most [A], 0 or more.
    shortest_s: shorter stretches are passed over [s], above 0.
    smallest_drop_mps: stretches that lose less speed are passed over [m/s], above 0.

    Returns
    -------
    Stretches.

    Raises
    ------
    ValueError: lengths differ, or an argument is out of range.

    Examples
    --------
    >>> time_s = np.arange(12.0)
    >>> speed_mps = np.array([2.0, 6.0, 9.0, 9.0, 8.2, 7.4, 6.6, 5.8, 5.0, 5.5, 7.0, 8.0])
    >>> current_a = np.array([30.0, 30.0, 30.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 20.0, 20.0, 20.0])
    >>> found = coasting_stretches(time_s, speed_mps, current_a)
    >>> found.start_row.tolist(), found.stop_row.tolist()
    ([3], [9])
    """
    times, speeds, amperes = (np.atleast_1d(values) for values in (time_s, speed_mps, current_a))
    if not times.shape == speeds.shape == amperes.shape:
        raise ValueError(
            f"speed_mps and current_a must be as long as time_s ({times.size}), got {speeds.size} and {amperes.size}"
        )
    still = _stretches((np.abs(amperes) <= idle_current_a) & (speeds > 0))
    stretches = []
    for start, stop in zip(*still, strict=True):
        if times[stop - 1] - times[start] < shortest_s:
            continue
        fastest = start + int(np.argmax(speeds[start:stop]))
        slowest = fastest + int(np.argmin(speeds[fastest:stop]))
        lost = speeds[fastest] - speeds[slowest]
        if times[slowest] - times[fastest] >= shortest_s and lost >= smallest_drop_mps:
            stretches.append((fastest, slowest + 1))
    rows = np.array(stretches, dtype=np.intp).reshape(-1, 2)
    return Stretches(rows[:, 0], rows[:, 1])


class Excursions(NamedTuple):
    """Times beyond a limit: when each began and ended, and the worst value in it."""

    start_s: Any
    end_s: Any
    worst: Any


@kernel(
    title="Time beyond a limit",
    formula="value above (or below) the limit; breaks shorter than t are bridged",
    source="Definition; how short a break is bridged: common practice, no source.",
    time_s=any_real(),
    bridged_s=not_negative(),
)
def excursions(time_s: Number, values: Any, limit: float, above: bool = True, bridged_s: float = 5.0) -> Excursions:
    """When a measured value was beyond its limit.

    Parameters
    ----------
    time_s: growing times, 1-D array [s].
    values: what was measured at each, same length; NaN is nothing measured.
    limit: in the unit of the values.
    above: whether more than the limit is beyond it; else less is.
    bridged_s: two excursions with a shorter break between them are one [s], 0 or more.

    Returns
    -------
    Excursions.

    Raises
    ------
    ValueError: lengths differ, the limit is not finite, or an argument is out of range.

    Examples
    --------
    >>> found = excursions([0.0, 1.0, 2.0, 3.0, 60.0], [50.0, 41.0, 40.0, 43.0, 41.5], 42.0, above=False)
    >>> found.start_s.tolist(), found.end_s.tolist(), found.worst.tolist()
    ([1.0, 60.0], [2.0, 60.0], [40.0, 41.5])
    """
    times, measured = np.atleast_1d(time_s), np.atleast_1d(np.asarray(values, dtype=np.float64))
    if times.shape != measured.shape:
        raise ValueError(f"values must be as long as time_s ({times.size}), got {measured.size}")
    if not np.isfinite(limit):
        raise ValueError(f"limit must be a finite number, got {limit}")
    height = (measured - limit) * (1.0 if above else -1.0)
    beyond = _stretches(np.nan_to_num(height, nan=-1.0) > 0)
    if not beyond.start_row.size:
        return Excursions(np.empty(0), np.empty(0), np.empty(0))
    starts, ends = times[beyond.start_row], times[beyond.stop_row - 1]
    # Each stretch that follows the last one closely enough joins it.
    first = np.concatenate([[True], starts[1:] - ends[:-1] >= bridged_s])
    last = np.concatenate([first[1:], [True]])
    highest = np.fmax.reduceat(height, np.column_stack([beyond.start_row, beyond.stop_row]).ravel()[:-1])[::2]
    worst = np.maximum.reduceat(highest, np.flatnonzero(first))
    return Excursions(starts[first], ends[last], limit + worst * (1.0 if above else -1.0))
