"""Passes through a gate, found in a satellite track: when, which way, how long, and how well that is known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Numbers, any_real, kernel, not_negative
from calc.gate_rides import LARGEST_GAP_S, SLOWEST_MPS, CrossedTrack, Ride, along_the_gate
from calc.standing_starts import NEAR_IN_U, NEAREST_M, WIDEST_M, SpeedTrack, StandingStart, standing_starts

AROUND_S = 15.0
"""So long before and after a pass fixes help to place the path. This and the figures below: tried on simulated rides
(`python -m tests.simulations crossings`); common practice, no source."""
COURSE_M, STRAIGHT = 20.0, 0.9
"""A course over so many metres belongs to the gate's line where its cosine to it is at least this."""
SLOW_OVER_S = 5.0
"""Fixes alone tell a stop over this time; between two neighbours their noise is as large as a slow ride."""
STEP_M = 15.0
"""Fixes alone tell the length of a path by points this far apart: their noise lengthens shorter steps."""
FEWEST_PAIRS = 8
LEAST_U_M = 0.3
"""A receiver whose fixes follow its own speed differs little from it, and may be wrong in both."""
SHARE_WITHIN = 1.515
"""The radius that holds 68.3 % of the errors of a place, in standard uncertainties of one axis: √(−2 ln 0.317)."""
UNKNOWN_ACCURACY_M = 5.0
"""Where a track does not say how good its fixes are (common practice, no source)."""
MOST_RELATIVE_U = 0.05
"""A speed through a gate that is known less well than this is not shown."""

GAP = "gap"
PATH = "path"
STOP = "stop"
START = "start"


class GatePass(NamedTuple):
    """One ride through all marks of a gate.

    mark_s are the times at the marks in the order ridden, on the clock of the track. uses_speed says whether the
    receiver's own speed was used. doubts are those of `gap` (fixes missing), `path` (ridden farther or less far than
    the gate is long), `stop` (nearly stood) and `start`; a pass without any may be taken as it is.

    is_standing: it began from rest on the first mark. Its time runs from the first movement, and is none of a flying
    pass. It is always doubted (`start`): nothing tells a stand on the mark from one a few metres before it, nor how
    late a receiver shows the first movement.
    """

    is_out: bool
    mark_s: tuple[float, ...]
    duration_s: float
    u_duration_s: float
    uses_speed: bool
    doubts: tuple[str, ...]
    is_standing: bool = False


@kernel(
    title="Passes through a gate, from a satellite track",
    formula="t = ½ (T₁ + T₂): T₁ from interpolated fixes, T₂ from s(t) = ∫ v dt + mean(fix − path);  "
    "u(t) = rms[e(t + T) − e(t)] / v, e = fix − path;  without v: t = T₁, u(t) = √2 a / (1.515 v);  "
    "from rest: ∫ v dt = L from the first movement on",
    source="JCGM 100:2008, 4.2 (rms) and 5.1.2; radius: Rayleigh distribution. Gaps, widths and times around a pass: "
    "common practice, no source; tried by python -m tests.simulations crossings.",
    time_s=any_real(),
    east_m=any_real(),
    north_m=any_real(),
    mark_east_m=any_real(),
    mark_north_m=any_real(),
    mark_distance_m=not_negative(),
    u_mark_m=not_negative(),
)
def gate_passes(
    time_s: Numbers,
    east_m: Numbers,
    north_m: Numbers,
    mark_east_m: Numbers,
    mark_north_m: Numbers,
    mark_distance_m: Numbers,
    speed_mps: Any = None,
    accuracy_m: Any = None,
    u_mark_m: float = 0.0,
) -> list[GatePass]:
    """Every ride through a gate, in order of time, also doubtful ones.

    The marks are moved along the line through the first and the last so that they stand as far apart as they were
    taped: satellites place a gate less well than a tape tells its length.

    Parameters
    ----------
    time_s: growing times of the fixes, 1-D array [s].
    east_m, north_m: the fixes on a plane, same length [m]; `geodesy.local_metres` gives them.
    mark_east_m, mark_north_m: the first and the last mark on that plane, 2 values each [m].
    mark_distance_m: distance of each mark from the first, growing, at least 2, beginning with 0 [m].
    speed_mps: the receiver's own speed at each fix, same length, NaN where it gave none; None without any [m/s].
        A speed derived from the fixes themselves tells nothing that they do not, and must not be given here.
    accuracy_m: radius that holds 68 % of the errors of a fix, one value or one a fix, NaN where unknown [m];
        None counts as 5 m.
    u_mark_m: standard uncertainty of the marks' place along the gate [m], 0 or more.

    Returns
    -------
    A list of GatePass. Crossings farther than 12 m beside the line are none of this gate. A ride from rest on the
    first mark is timed with the receiver's own speed only; without it, one that is found by its crossings is doubted.

    Raises
    ------
    ValueError: lengths differ, times do not grow, or the marks are fewer than two, at one place or out of order.

    Examples
    --------
    >>> found = gate_passes([0, 1, 2, 3, 4, 5], [-15, -5, 5, 15, 25, 35], [0] * 6, [0, 20], [0, 0], [0, 20])
    >>> [(one.is_out, one.duration_s, one.doubts) for one in found]
    [(True, 2.0, ())]
    """
    times, east, north = np.atleast_1d(time_s), np.atleast_1d(east_m), np.atleast_1d(north_m)
    if not times.shape == east.shape == north.shape or times.ndim != 1:
        raise ValueError(f"east_m and north_m must be as long as time_s ({times.size})")
    if (np.diff(times) <= 0).any():
        raise ValueError("time_s must grow from fix to fix")
    marks = np.atleast_1d(mark_distance_m)
    if marks.size < 2 or marks[0] != 0 or (np.diff(marks) <= 0).any():
        raise ValueError(f"mark_distance_m must begin with 0 and grow, at least two marks, got {marks.tolist()}")
    along, aside = along_the_gate(east, north, np.atleast_1d(mark_east_m), np.atleast_1d(mark_north_m), marks[-1])
    speeds = None if speed_mps is None else _bridged(times, np.asarray(speed_mps, dtype=np.float64))
    track = _Track(times, along, aside, speeds, _radii(accuracy_m, times), marks, u_mark_m)
    return track.passes()


def _bridged(times: Any, speeds: Any) -> Any:
    """Speeds with those missing for up to 3 s drawn straight; NaN where more are missing."""
    if speeds.shape != times.shape:
        raise ValueError(f"speed_mps must be as long as time_s ({times.size}), got {speeds.size} values")
    known = np.flatnonzero(np.isfinite(speeds) & (speeds >= 0))
    if known.size < 2:
        return np.full(times.shape, np.nan)
    drawn = np.interp(times, times[known], speeds[known], left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(known, np.arange(times.size)), 1, known.size - 1)
    is_far = times[known[after]] - times[known[after - 1]] > LARGEST_GAP_S
    is_far[known] = False
    drawn[is_far] = np.nan
    return drawn


def _radii(accuracy_m: Any, times: Any) -> Any:
    radii = np.broadcast_to(np.asarray(np.nan if accuracy_m is None else accuracy_m, dtype=np.float64), times.shape)
    return np.where(np.isfinite(radii) & (radii > 0), radii, UNKNOWN_ACCURACY_M)


class _Track(CrossedTrack):
    """A track laid along one gate."""

    def __init__(
        self, times: Any, along: Any, aside: Any, speeds: Any, radii: Any, marks: Any, u_mark_m: float
    ) -> None:
        super().__init__(times, along, aside, marks)
        self.speeds, self.radii, self.u_mark_m = speeds, radii, u_mark_m
        steps = np.diff(times)
        self.gaps = steps > LARGEST_GAP_S
        if speeds is not None:
            travelled = steps * (speeds[1:] + speeds[:-1]) / 2
            # What is not known breaks the path; it is counted as nothing here and no pass reaches over it.
            self.path = np.append(0.0, np.cumsum(np.where(np.isfinite(travelled), travelled, 0.0)))
            self.breaks = self.gaps | ~np.isfinite(travelled)
            self.speed_track = SpeedTrack(times, along, aside, speeds, self.path, self.breaks)
            self.helps = (np.abs(aside) <= WIDEST_M) & self._is_straight()

    def _is_straight(self) -> Any:
        """Whether the course over some 20 m is that of the gate, to either side: elsewhere a path lies across it."""
        before = np.searchsorted(self.path, self.path - COURSE_M / 2, side="right") - 1
        after = np.searchsorted(self.path, self.path + COURSE_M / 2)
        before, after = np.maximum(before, 0), np.minimum(after, self.path.size - 1)
        gone_m = np.abs(self.along[after] - self.along[before])
        return gone_m >= STRAIGHT * np.hypot(gone_m, self.aside[after] - self.aside[before])

    def passes(self) -> list[GatePass]:
        starts = self._standing_starts()
        rides = [ride for ride in self.rides() if not any(_is_same(ride, start) for start in starts)]
        doubts = [self._doubts(ride) for ride in rides]
        windows = [self._window(ride) for ride in rides]
        helping = [w for w, doubted in zip(windows, doubts, strict=True) if w and PATH not in doubted]
        timed = [
            self._timed(ride, doubted, window, helping)
            for ride, doubted, window in zip(rides, doubts, windows, strict=True)
        ]
        timed += [self._from_rest(start, helping) for start in starts]
        return sorted(timed, key=lambda gate_pass: gate_pass.mark_s[0])

    def _near_m(self) -> float:
        """How near to a mark a machine may seem to stand that stands on it."""
        return max(NEAREST_M, NEAR_IN_U * float(np.hypot(np.median(self.radii) / SHARE_WITHIN, self.u_mark_m)))

    def _standing_starts(self) -> list[StandingStart]:
        return [] if self.speeds is None else standing_starts(self.speed_track, self.marks, self._near_m())

    def _from_rest(self, start: StandingStart, helping: Sequence[slice]) -> GatePass:
        ride = Ride(start.is_out, start.rest, start.last, start.mark_s)
        duration_s = start.mark_s[-1] - start.mark_s[0]
        u_m = self._difference_m(duration_s, start.is_out, slice(start.rest, start.last + 1), helping)
        if u_m is None:
            u_m = self._u_of_fixes_m(ride)
        exit_mps = max(float(np.interp(start.mark_s[-1], self.times, self.speeds)), SLOWEST_MPS)
        u_s = float(np.hypot(start.u_began_s, max(u_m, LEAST_U_M) / exit_mps))
        return GatePass(start.is_out, tuple(start.mark_s), duration_s, u_s, True, (START,), True)

    def _seems_from_rest(self, ride: Ride) -> bool:
        """Whether fixes without a speed show the machine at rest by the first mark just before it."""
        if self._has_speed(ride):
            return False
        mark_m, near_m = 0.0 if ride.is_out else self.length_m, self._near_m()
        row = ride.first
        while row >= 0 and self.times[ride.first] - self.times[row] <= SLOW_OVER_S and not self.gaps[row]:
            before = int(np.searchsorted(self.times, self.times[row] - SLOW_OVER_S, side="right")) - 1
            if before < 0 or self.gaps[before:row].any():
                return False
            gone_m = np.hypot(self.along[row] - self.along[before], self.aside[row] - self.aside[before])
            is_slow = gone_m < SLOWEST_MPS * (self.times[row] - self.times[before])
            if is_slow and abs(self.along[row] - mark_m) <= near_m:
                return True
            row -= 1
        return False

    def _doubts(self, ride: Ride) -> tuple[str, ...]:
        doubts = []
        # A step before and one behind, because "around" is more than between the marks.
        if self.gaps[max(ride.first - 1, 0) : ride.last + 1].any():
            doubts.append(GAP)
        if abs(self._path_m(ride) - self.length_m) > WIDEST_M:
            doubts.append(PATH)
        if self._slowest_mps(ride) < SLOWEST_MPS:
            doubts.append(STOP)
        if self._seems_from_rest(ride):
            doubts.append(START)
        return tuple(doubts)

    def _has_speed(self, ride: Ride) -> bool:
        return self.speeds is not None and not self.breaks[ride.first : ride.last].any()

    def _path_m(self, ride: Ride) -> float:
        if self._has_speed(ride):
            ends = np.interp([ride.mark_s[0], ride.mark_s[-1]], self.times, self.path)
            return float(ends[1] - ends[0])
        # The whole way between the two crossings by points that are far enough apart.
        rows = range(ride.first, ride.last + 1)
        inside = [ride.mark_s[0], *(float(self.times[row]) for row in rows[1:-1]), ride.mark_s[-1]]
        x, y = (np.interp(inside, self.times, values) for values in (self.along, self.aside))
        length_m, at = 0.0, 0
        for row in range(1, len(inside)):
            step_m = float(np.hypot(x[row] - x[at], y[row] - y[at]))
            if step_m >= STEP_M or row == len(inside) - 1:
                length_m, at = length_m + step_m, row
        return length_m

    def _slowest_mps(self, ride: Ride) -> float:
        if self._has_speed(ride):
            inside = self.speeds[ride.first + 1 : ride.last]
            return float(inside.min(initial=np.inf))
        slowest = np.inf
        start = ride.first
        for row in range(ride.first, ride.last + 1):
            while self.times[row] - self.times[start + 1] >= SLOW_OVER_S and start + 1 < row:
                start += 1
            elapsed_s = self.times[row] - self.times[start]
            if elapsed_s >= SLOW_OVER_S:
                gone_m = np.hypot(self.along[row] - self.along[start], self.aside[row] - self.aside[start])
                slowest = min(slowest, float(gone_m / elapsed_s))
        return slowest

    def _window(self, ride: Ride) -> slice | None:
        """The rows of a pass and up to 15 s around it, near the gate's line, without a break; None without speed."""
        if not self._has_speed(ride):
            return None
        first, last = ride.first, ride.last
        begin_s, end_s = ride.mark_s[0] - AROUND_S, ride.mark_s[-1] + AROUND_S
        while first > 0 and self.times[first - 1] >= begin_s and self.helps[first - 1] and not self.breaks[first - 1]:
            first -= 1
        most = self.times.size - 1
        while last < most and self.times[last + 1] <= end_s and self.helps[last + 1] and not self.breaks[last]:
            last += 1
        return slice(first, last + 1)

    def _timed(self, ride: Ride, doubts: tuple[str, ...], window: slice | None, helping: Sequence[slice]) -> GatePass:
        by_path = self._by_path(ride, window) if window is not None else None
        if window is None or by_path is None:
            duration_s = ride.mark_s[-1] - ride.mark_s[0]
            u_s = self._u_of_fixes_m(ride) * duration_s / self.length_m
            if START in doubts:
                # Nobody knows how slowly it passed the first mark.
                u_s = float(np.hypot(u_s, self._u_of_fixes_m(ride) / SLOWEST_MPS))
            return GatePass(ride.is_out, tuple(ride.mark_s), duration_s, u_s, False, doubts, START in doubts)
        mark_s = tuple((by_fixes + by_speed) / 2 for by_fixes, by_speed in zip(ride.mark_s, by_path, strict=True))
        duration_s = mark_s[-1] - mark_s[0]
        u_m = self._difference_m(duration_s, ride.is_out, window, helping)
        if u_m is None:
            u_m = self._u_of_fixes_m(ride)
        entry_mps, exit_mps = np.maximum(np.interp([mark_s[0], mark_s[-1]], self.times, self.speeds), SLOWEST_MPS)
        # Marks that stand elsewhere than they seem are passed at another speed.
        place_u_m = float(np.hypot(self._u_of_fixes_m(ride) / np.sqrt(2.0), self.u_mark_m))
        u_place_s = place_u_m * abs(1 / float(exit_mps) - 1 / float(entry_mps))
        u_s = float(np.hypot(max(u_m, LEAST_U_M) * duration_s / self.length_m, u_place_s))
        return GatePass(ride.is_out, mark_s, duration_s, u_s, True, doubts)

    def _u_of_fixes_m(self, ride: Ride) -> float:
        radius_m = float(np.median(self.radii[ride.first : ride.last + 1]))
        return float(np.sqrt(2.0)) * radius_m / SHARE_WITHIN

    def _apart_m(self, window: slice, is_out: bool) -> Any:
        """Fix minus path, along the way ridden, in the rows of a window."""
        ridden = self.along[window] if is_out else -self.along[window]
        return ridden - self.path[window]

    def _by_path(self, ride: Ride, window: slice) -> list[float] | None:
        """T₂ at each mark: where the path, laid through the fixes around the pass, reaches it."""
        offset_m = float(self._apart_m(window, ride.is_out).mean())
        marks = self.marks if ride.is_out else -self.marks[::-1]
        mark_s = []
        for target_m in (marks - offset_m).tolist():
            # Below the window's first row and above its last the path is not known.
            if not self.path[window.start] <= target_m <= self.path[window.stop - 1]:
                return None
            reached = int(np.searchsorted(self.path[window], target_m, side="right")) - 1
            row = window.start + min(reached, window.stop - window.start - 2)
            mark_s.append(self.speed_track.reached_s(row, target_m))
        return mark_s

    def _difference_m(self, lag_s: float, is_out: bool, own: slice, helping: Sequence[slice]) -> float | None:
        """How much fix minus path changes over the time of a pass: rms over this pass and those that help."""
        squares, count = 0.0, 0
        for window in helping if own in helping else [own, *helping]:
            times = self.times[window]
            forth = self.along[window.stop - 1] >= self.along[window.start]
            apart_m = self._apart_m(window, bool(forth))
            starts = np.flatnonzero(times + lag_s <= times[-1])
            if not starts.size:
                continue
            wanted_s = times[starts] + lag_s
            after = np.clip(np.searchsorted(times, wanted_s), 1, times.size - 1)
            nearest = np.where(wanted_s - times[after - 1] <= times[after] - wanted_s, after - 1, after)
            changes = apart_m[nearest] - apart_m[starts]
            squares, count = squares + float(changes @ changes), count + changes.size
        return float(np.sqrt(squares / count)) if count >= FEWEST_PAIRS else None


def _is_same(ride: Ride, start: StandingStart) -> bool:
    """Whether a ride by its crossings is one that began from rest."""
    begins_before_its_end, ends_after_its_begin = ride.mark_s[0] < start.mark_s[-1], ride.mark_s[-1] > start.mark_s[0]
    return ride.is_out is start.is_out and begins_before_its_end and ends_after_its_begin
