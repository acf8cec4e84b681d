"""Speed between marks a known distance apart."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Measured, Number, kernel, not_negative, plain, positive


@kernel(
    title="Mean speed between two marks",
    formula="v = L / t,  u(v) = v · √[(u(L)/L)² + (u(t)/t)²]",
    source="JCGM 100:2008, 5.1.2 and 5.1.6 (product of powers, inputs uncorrelated).",
    returns="m/s",
    distance_m=positive(),
    duration_s=positive(),
    u_distance_m=not_negative(),
    u_duration_s=not_negative(),
)
def gate_speed(
    distance_m: Number, duration_s: Number, u_distance_m: Number = 0.0, u_duration_s: Number = 0.0
) -> Measured:
    """Mean speed over a gate, with its standard uncertainty.

    This is the mean over the gate. A machine that is still gaining speed was slower at the
    first mark and faster at the last; `split_profile` with three marks or more says by how much.

    Parameters
    ----------
    distance_m: distance between the marks, float or array [m], above 0.
    duration_s: time between them, float or array [s], above 0.
    u_distance_m, u_duration_s: their standard uncertainties, 0 or more.

    Returns
    -------
    Measured speed [m/s], shaped like the arguments broadcast together.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> speed = gate_speed(distance_m=100.0, duration_s=5.0, u_distance_m=0.02, u_duration_s=0.00680414)
    >>> speed.value, round(speed.u, 6)
    (20.0, 0.027509)
    """
    speed_mps = np.asarray(distance_m) / np.asarray(duration_s)
    relative_u = np.hypot(np.asarray(u_distance_m) / distance_m, np.asarray(u_duration_s) / duration_s)
    return Measured(plain(speed_mps), plain(speed_mps * relative_u))


@kernel(
    title="Mean of both directions",
    formula="v = (v_out + v_back) / 2,  u(v) = ½ √[u(v_out)² + u(v_back)²]",
    source="JCGM 100:2008, 5.1.2. Riding both ways to cancel a steady wind: common practice, no source.",
    returns="m/s",
    out_mps=positive(),
    back_mps=positive(),
    u_out_mps=not_negative(),
    u_back_mps=not_negative(),
)
def two_way_mean(out_mps: Number, back_mps: Number, u_out_mps: Number = 0.0, u_back_mps: Number = 0.0) -> Measured:
    """Mean of the speeds of two passes in opposite directions.

    This is the mean of the speeds. The speed over the mean of the two times, `two_way_mean_of_times`,
    is never higher; the two agree where the directions do.

    Parameters
    ----------
    out_mps, back_mps: gate speed each way, float or array [m/s], above 0.
    u_out_mps, u_back_mps: their standard uncertainties, 0 or more, taken as independent.

    Returns
    -------
    Measured speed [m/s].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> two_way_mean(out_mps=14.0, back_mps=12.0, u_out_mps=0.3, u_back_mps=0.4)
    Measured(value=13.0, u=0.25)
    """
    mean_mps = (np.asarray(out_mps) + np.asarray(back_mps)) / 2
    u_mps = np.broadcast_to(np.hypot(u_out_mps, u_back_mps) / 2, mean_mps.shape)
    return Measured(plain(mean_mps), plain(u_mps))


@kernel(
    title="Speed over the mean time of both directions",
    formula="v = 2 L / (t_out + t_back)",
    source="JCGM 100:2008, 5.1.2; harmonic mean of the two speeds.",
    returns="m/s",
    distance_m=positive(),
    out_s=positive(),
    back_s=positive(),
    u_distance_m=not_negative(),
    u_duration_s=not_negative(),
)
def two_way_mean_of_times(
    distance_m: Number, out_s: Number, back_s: Number, u_distance_m: Number = 0.0, u_duration_s: Number = 0.0
) -> Measured:
    """Speed from the mean of two times over one gate, ridden in opposite directions.

    Parameters
    ----------
    distance_m: distance between the marks, float or array [m], above 0.
    out_s, back_s: time each way [s], above 0.
    u_distance_m: standard uncertainty of the distance [m], 0 or more.
    u_duration_s: standard uncertainty of each time [s], 0 or more, independent.

    Returns
    -------
    Measured speed [m/s].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(two_way_mean_of_times(distance_m=100.0, out_s=7.0, back_s=9.0).value, 4)
    12.5
    """
    both_s = np.asarray(out_s) + np.asarray(back_s)
    speed_mps = 2 * np.asarray(distance_m) / both_s
    relative_u = np.hypot(np.asarray(u_distance_m) / distance_m, np.sqrt(2.0) * np.asarray(u_duration_s) / both_s)
    return Measured(plain(speed_mps), plain(speed_mps * relative_u))


@kernel(
    title="Wheel slip",
    formula="s = (v_wheel − v_ground) / v_wheel",
    source="SAE J670 (2008), longitudinal slip while driving; sign as used for traction.",
    wheel_speed_mps=positive(),
    ground_speed_mps=not_negative(),
)
def wheel_slip(wheel_speed_mps: Number, ground_speed_mps: Number) -> Any:
    """How much of a driven wheel's or track's travel is lost: 0 rolls, 1 spins on the spot.

    Parameters
    ----------
    wheel_speed_mps: speed of the wheel's circumference, float or array [m/s], above 0.
    ground_speed_mps: speed over ground [m/s], 0 or more. Above the wheel's speed (braking or
        downhill) the slip is negative.

    Returns
    -------
    Slip as a fraction.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> wheel_slip(wheel_speed_mps=20.0, ground_speed_mps=15.0)
    0.25
    """
    return plain(1.0 - np.asarray(ground_speed_mps) / np.asarray(wheel_speed_mps))


class SplitProfile(NamedTuple):
    """Speeds along a gate with three marks or more; the acceleration is taken as constant."""

    entry_mps: float
    u_entry_mps: float
    exit_mps: float
    u_exit_mps: float
    peak_mps: float
    u_peak_mps: float
    acceleration_mps2: float
    u_acceleration_mps2: float


@kernel(
    title="Speed along the gate, from three marks or more",
    formula="x = v₀ t + ½ a t²  (least squares)",
    source="Constant acceleration between marks; ordinary least squares, JCGM 100:2008, H.3 for its uncertainties.",
    position_m=not_negative(),
    time_s=not_negative(),
    u_time_s=not_negative(),
)
def split_profile(position_m: Number, time_s: Number, u_time_s: float = 0.0) -> SplitProfile:
    """Entry, exit and peak speed of one pass, with their standard uncertainties.

    The peak is the faster end: under constant acceleration it stands at a mark. With three marks
    the curve meets every mark and only `u_time_s` says how far it can be off; with more marks the
    scatter about the curve is used where that is larger.

    Parameters
    ----------
    position_m: marks, from 0 at the first, growing, 1-D array of at least 3 [m].
    time_s: time at each mark since the first, growing, same length [s].
    u_time_s: standard uncertainty of one mark's time [s], 0 or more.

    Returns
    -------
    SplitProfile.

    Raises
    ------
    ValueError: fewer than 3 marks, lengths differ, or marks or times do not grow.

    Examples
    --------
    >>> profile = split_profile(position_m=[0.0, 50.0, 100.0], time_s=[0.0, 5.0, 9.0])
    >>> round(profile.entry_mps, 4), round(profile.exit_mps, 4), round(profile.acceleration_mps2, 4)
    (8.6111, 13.6111, 0.5556)
    """
    positions, times = np.atleast_1d(position_m), np.atleast_1d(time_s)
    if positions.ndim != 1 or positions.shape != times.shape or positions.size < 3:
        raise ValueError(f"position_m and time_s need at least 3 marks each, got {positions.size} and {times.size}")
    for name, values in (("position_m", positions), ("time_s", times)):
        if (np.diff(values) <= 0).any():
            raise ValueError(f"{name} must grow from mark to mark, got {values.tolist()}")
    positions, times = positions - positions[0], times - times[0]
    design = np.column_stack([times[1:], times[1:] ** 2 / 2])
    solution, *_ = np.linalg.lstsq(design, positions[1:], rcond=None)
    first_mps, acceleration_mps2 = float(solution[0]), float(solution[1])
    exit_mps = first_mps + acceleration_mps2 * float(times[-1])
    freedom = positions.size - 3
    scatter_m = 0.0
    if freedom:
        scatter_m = float(np.sqrt(np.sum((positions[1:] - design @ solution) ** 2) / freedom))
    # First-order effect of each mark's clock error: a later crossing means less speed up to there,
    # and an error of the first mark shifts every other time.
    weights = np.linalg.pinv(design)
    speeds_mps = first_mps + acceleration_mps2 * times[1:]
    by_time = np.column_stack([weights @ speeds_mps, -weights * speeds_mps])
    exit_by_time = by_time[0] + times[-1] * by_time[1]
    exit_by_time[-1] += acceleration_mps2
    exit_by_time[0] -= acceleration_mps2
    by_scatter = np.vstack([weights, weights[0] + times[-1] * weights[1]])
    u_entry, u_acceleration, u_exit = np.maximum(
        u_time_s * np.linalg.norm(np.vstack([by_time, exit_by_time]), axis=1),
        scatter_m * np.linalg.norm(by_scatter, axis=1),
    ).tolist()
    entry_is_peak = first_mps >= exit_mps
    return SplitProfile(
        entry_mps=first_mps,
        u_entry_mps=u_entry,
        exit_mps=exit_mps,
        u_exit_mps=u_exit,
        peak_mps=first_mps if entry_is_peak else exit_mps,
        u_peak_mps=u_entry if entry_is_peak else u_exit,
        acceleration_mps2=acceleration_mps2,
        u_acceleration_mps2=u_acceleration,
    )


class PeakBounds(NamedTuple):
    """What a mean over two marks leaves open about the peak between them."""

    lowest_mps: Any
    highest_mps: Any


@kernel(
    title="What a two-mark mean says about the peak",
    formula="v̄ ≤ v_peak ≤ v̄ + ½ a t",
    source="Mean-value theorem for the lower bound; constant acceleration a over the whole gate for the upper.",
    distance_m=positive(),
    duration_s=positive(),
    highest_acceleration_mps2=not_negative(),
)
def peak_speed_bounds(distance_m: Number, duration_s: Number, highest_acceleration_mps2: Number) -> PeakBounds:
    """Bounds of the peak speed inside a gate of two marks, for a steady gain of speed.

    Two marks give a mean. The machine was at least that fast somewhere between them; how much
    faster depends on the acceleration it is capable of, which must be given.

    Parameters
    ----------
    distance_m: distance between the marks, float or array [m], above 0.
    duration_s: time between them [s], above 0.
    highest_acceleration_mps2: largest acceleration it is capable of at that speed [m/s²], 0 or more.

    Returns
    -------
    PeakBounds [m/s].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> peak_speed_bounds(distance_m=100.0, duration_s=8.0, highest_acceleration_mps2=0.5)
    PeakBounds(lowest_mps=12.5, highest_mps=14.5)
    """
    mean_mps = np.asarray(distance_m) / np.asarray(duration_s)
    gain_mps = np.asarray(highest_acceleration_mps2) * np.asarray(duration_s) / 2
    return PeakBounds(plain(mean_mps), plain(mean_mps + gain_mps))


@kernel(
    title="Uncertainty from a camera that stands off the gate line",
    formula="u(x) = u(d) · |b| / D",
    source="Similar triangles: the sight line meets the vehicle's line b/D metres farther along for each metre of d.",
    returns="m",
    camera_distance_m=positive(),
    camera_offset_m=not_negative(),
    u_line_m=not_negative(),
)
def sight_line_u_m(camera_distance_m: Number, camera_offset_m: Number, u_line_m: Number) -> Any:
    """How far along the track a mark seems shifted when the vehicle is off its supposed line.

    A camera on the gate line sees the crossing whatever line the vehicle takes. A camera beside
    that line sees it early or late, in proportion to how far the vehicle is off.

    Parameters
    ----------
    camera_distance_m: from the camera to the vehicle's line, square to it, float or array [m], above 0.
    camera_offset_m: how far the camera stands along the track from the mark [m], 0 or more.
    u_line_m: standard uncertainty of the vehicle's line, across the track [m], 0 or more.

    Returns
    -------
    Standard uncertainty of the mark's place along the track [m].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> sight_line_u_m(camera_distance_m=40.0, camera_offset_m=10.0, u_line_m=1.0)
    0.25
    """
    return plain(np.asarray(u_line_m) * np.asarray(camera_offset_m) / np.asarray(camera_distance_m))
