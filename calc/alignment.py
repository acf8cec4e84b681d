"""Bringing clocks together: the offset at which two recordings of one ride agree best."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, any_real, kernel, not_negative, positive
from calc.recording import usual_gap_s

FINEST_STEP_S, COARSEST_STEP_S = 0.1, 1.0
SHORTEST_OVERLAP_S = 20.0
RIVAL_SHARE = 0.95
"""Another shift whose correlation reaches this share of the best may as well be the true one. Tried on equal laps:
python -m tests.simulations recordings; common practice, no source."""
MOST_RIVALS = 5


class ClockOffset(NamedTuple):
    """Seconds to add to the second recording's times, how well both then agree (1 is entirely), and the grid.

    rivals are other shifts that agree nearly as well, each with its correlation, the best first.
    """

    offset_s: float
    correlation: float
    step_s: float
    rivals: tuple[tuple[float, float], ...] = ()


@kernel(
    title="Clock offset of two recordings",
    formula="max over τ of  Σ a(t) b(t − τ) / √(Σ a² Σ b²)  over the overlap",
    source="Normalised cross-correlation: Oppenheim and Schafer, Discrete-Time Signal Processing (2010), 2.9 (from "
    "memory for the section); the top refined by a parabola through three points.",
    first_time_s=any_real(),
    first_speed_mps=not_negative(),
    second_time_s=any_real(),
    second_speed_mps=not_negative(),
    largest_shift_s=positive(),
)
def clock_offset_s(
    first_time_s: Number,
    first_speed_mps: Number,
    second_time_s: Number,
    second_speed_mps: Number,
    largest_shift_s: float = 3600.0,
) -> ClockOffset:
    """The shift of the second recording at which the speeds of both agree best.

    Both are laid on one even grid, as fine as the coarser of them, between 0.1 and 1 s; where a recording has a gap
    nothing is filled in. Laps ridden alike fit at several shifts: those that reach 95 % of the best are its rivals.

    Parameters
    ----------
    first_time_s, first_speed_mps: growing times [s] and speeds [m/s, 0 or more], 1-D arrays of one length.
    second_time_s, second_speed_mps: the other recording's.
    largest_shift_s: shifts beyond this are not tried [s], above 0.

    Returns
    -------
    ClockOffset.

    Raises
    ------
    ValueError: a recording is shorter than 20 s, its times do not grow, its speed never changes, or no
        shift leaves an overlap.

    Examples
    --------
    >>> time_s = np.arange(0.0, 120.0, 0.5)
    >>> speed_mps = 5 + 4 * np.sin(time_s / 7) * np.exp(-time_s / 60)
    >>> found = clock_offset_s(time_s, speed_mps, time_s - 12.0, speed_mps)
    >>> round(found.offset_s, 2), round(found.correlation, 2)
    (12.0, 1.0)
    """
    named = (("first", first_time_s, first_speed_mps), ("second", second_time_s, second_speed_mps))
    pairs = [_checked(name, np.atleast_1d(times), np.atleast_1d(speeds)) for name, times, speeds in named]
    coarser_s = max(float(np.median(np.diff(times))) for times, _ in pairs)
    step_s = min(max(coarser_s, FINEST_STEP_S), COARSEST_STEP_S)
    (first_from_s, *first), (second_from_s, *second) = (_even(times, speeds, step_s) for times, speeds in pairs)
    scores = _scores(first, second, step_s)
    lags = np.arange(-(second[0].size - 1), first[0].size)
    shifts_s = lags * step_s + first_from_s - second_from_s
    scores = np.where(np.abs(shifts_s) <= largest_shift_s, scores, -np.inf)
    top = int(np.argmax(scores))
    if not np.isfinite(scores[top]):
        raise ValueError(
            f"first_time_s and second_time_s never overlap by {SHORTEST_OVERLAP_S:g} s within "
            f"a shift of {largest_shift_s:g} s"
        )
    offset_s = float(shifts_s[top] + step_s * _beside(scores, top))
    return ClockOffset(offset_s, float(min(scores[top], 1.0)), step_s, _rivals(scores, shifts_s, top))


def _rivals(scores: Any, shifts_s: Any, top: int) -> tuple[tuple[float, float], ...]:
    """The best shift of each stretch of shifts that agree nearly as well as the best, but for the best's own."""
    if scores[top] <= 0:
        return ()
    near = np.flatnonzero(np.diff(np.concatenate([[False], scores >= RIVAL_SHARE * scores[top], [False]]).astype(int)))
    rivals = []
    for start, stop in zip(near[::2].tolist(), near[1::2].tolist(), strict=True):
        if not start <= top < stop:
            best = start + int(np.argmax(scores[start:stop]))
            rivals.append((float(shifts_s[best]), float(min(scores[best], 1.0))))
    return tuple(sorted(rivals, key=lambda rival: -rival[1])[:MOST_RIVALS])


def _checked(name: str, times: Any, speeds: Any) -> tuple[Any, Any]:
    if times.shape != speeds.shape or times.ndim != 1 or times.size < 2:
        raise ValueError(f"{name}_speed_mps must be as long as {name}_time_s ({times.size}), got {speeds.size} values")
    if (np.diff(times) <= 0).any():
        raise ValueError(f"{name}_time_s must grow from sample to sample")
    if times[-1] - times[0] < SHORTEST_OVERLAP_S:
        raise ValueError(f"{name}_time_s must cover {SHORTEST_OVERLAP_S:g} s or more, got {times[-1] - times[0]:g} s")
    if np.ptp(speeds) == 0:
        raise ValueError(f"{name}_speed_mps must hold different speeds, got only {speeds[0]:g} m/s")
    return times, speeds


def _even(times: Any, speeds: Any, step_s: float) -> tuple[float, Any, Any]:
    """Where the grid begins, the mean speed of each of its cells, and which of them were recorded."""
    grid = np.arange(times[0], times[-1], step_s)
    # Means over a step, not samples of it: a fast log would otherwise lend its noise to the comparison.
    steps = np.diff(times)
    walked = np.concatenate([[0.0], np.cumsum(steps * (speeds[1:] + speeds[:-1]) / 2)])
    edges = np.append(grid, grid[-1] + step_s)
    means = np.diff(np.interp(edges, times, walked)) / step_s
    leg = np.clip(np.searchsorted(times, grid + step_s / 2) - 1, 0, steps.size - 1)
    known = steps[leg] <= max(usual_gap_s(times), 2 * step_s)
    return (float(times[0]), means[:-1], known[:-1]) if means.size > 2 else (float(times[0]), means, known)


def _scores(first: Any, second: Any, step_s: float) -> Any:
    """Correlation at each lag, over what both recorded; −∞ where that is too little."""
    (a, a_known), (b, b_known) = (
        (np.where(known, means - means[known].mean(), 0.0), known.astype(float)) for means, known in (first, second)
    )
    size = 1 << int(np.ceil(np.log2(a.size + b.size)))

    def slide(moved: Any, other: Any) -> Any:
        product = np.fft.rfft(moved, size) * np.conj(np.fft.rfft(other, size))
        rolled = np.fft.irfft(product, size)
        return np.concatenate([rolled[size - (other.size - 1) :], rolled[: moved.size]])

    overlap = slide(a_known, b_known)
    energy = slide(a**2, b_known) * slide(a_known, b**2)
    least_s = max(SHORTEST_OVERLAP_S, 0.25 * min(a_known.sum(), b_known.sum()) * step_s)
    enough = overlap * step_s >= least_s - step_s / 2
    floor = 1e-9 * float(np.sum(a**2) * np.sum(b**2))
    usable = enough & (energy > floor)
    return np.where(usable, slide(a, b) / np.sqrt(np.where(usable, energy, 1.0)), -np.inf)


def _beside(scores: Any, top: int) -> float:
    """How far the top of the parabola through three points lies beside the middle one, in steps."""
    if not 0 < top < scores.size - 1 or not np.isfinite(scores[top - 1 : top + 2]).all():
        return 0.0
    left, middle, right = scores[top - 1 : top + 2]
    bend = left - 2 * middle + right
    return float(0.5 * (left - right) / bend) if bend < 0 else 0.0
