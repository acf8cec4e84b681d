"""Clocks: how long something took, and how well that is known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from calc.declaration import Measured, Number, between, kernel, not_negative, plain, positive

FRAMES_PER_S = positive()
"""Any camera. Forms limit this to real frame rates; the arithmetic is valid for every rate."""

STOPWATCH_THUMB_U_S = 0.1
"""Default standard uncertainty of one thumb on one mark (common practice, no source). A person
pressing for an event they see coming is early or late by about a tenth of a second."""


@kernel(
    title="Time read off a frame counter",
    formula="t = s + f / r",
    source="Common practice, no source. Frame rates such as 30000/1001 frames/s: SMPTE ST 12-1.",
    returns="s",
    whole_s=not_negative(),
    frames=not_negative(),
    frames_per_s=FRAMES_PER_S,
)
def frame_clock_s(whole_s: Number, frames: Number, frames_per_s: Number) -> Any:
    """Duration given as whole seconds and frames of a video.

    Parameters
    ----------
    whole_s: whole seconds, float or array [s], 0 or more.
    frames: frames beyond the whole seconds, float or array, 0 or more.
    frames_per_s: frame rate at which the clip was taken, float or array [1/s], above 0. A clip
        marked "29.97" was taken at 30000/1001 frames/s, which is not 30.

    Returns
    -------
    Duration [s], shaped like the arguments broadcast together.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(frame_clock_s(whole_s=7, frames=10, frames_per_s=30), 4)
    7.3333
    """
    return whole_s + frames / frames_per_s


@kernel(
    title="Uncertainty of a duration counted in frames",
    formula="u(t) = (1 / r) / √6",
    source="JCGM 100:2008, 4.3.7 and 4.3.9: the difference of two events, each anywhere within one frame interval.",
    returns="s",
    frames_per_s=FRAMES_PER_S,
)
def frame_duration_u_s(frames_per_s: Number) -> Any:
    """Standard uncertainty of the time between two events seen on video.

    Each event is known to within one frame interval (rectangular, full width 1/r); the
    difference of two of them is triangular with half-width 1/r.

    Parameters
    ----------
    frames_per_s: frame rate at which the clip was taken, float or array [1/s], above 0.

    Returns
    -------
    Standard uncertainty [s], shaped like the argument.

    Raises
    ------
    ValueError: the frame rate is not above 0, not finite or not a number.

    Examples
    --------
    >>> round(frame_duration_u_s(frames_per_s=60), 6)
    0.006804
    """
    return 1.0 / (frames_per_s * math.sqrt(6.0))


@kernel(
    title="Time between two presses of a stopwatch",
    formula="t = t₂ − t₁,  u(t) = √2 · u(press)",
    source="JCGM 100:2008, 5.1.2; the size of one press's uncertainty is common practice, no source.",
    returns="s",
    start_s=not_negative(),
    stop_s=not_negative(),
    u_press_s=between(0.0, 10.0),
)
def stopwatch_duration(start_s: Number, stop_s: Number, u_press_s: Number = STOPWATCH_THUMB_U_S) -> Measured:
    """Duration between two presses, with the uncertainty of both.

    The two presses are taken as independent. One person who is always late by the same amount
    is better than this says; that gain is not claimed.

    Parameters
    ----------
    start_s, stop_s: clock at each press, float or array [s], 0 or more, stop after start.
    u_press_s: standard uncertainty of one press [s], 0 to 10.

    Returns
    -------
    Measured duration [s].

    Raises
    ------
    ValueError: an argument is out of range, or the stop is not after the start.

    Examples
    --------
    >>> measured = stopwatch_duration(start_s=2.0, stop_s=9.5, u_press_s=0.1)
    >>> measured.value, round(measured.u, 4)
    (7.5, 0.1414)
    """
    duration_s = np.asarray(stop_s) - np.asarray(start_s)
    if np.any(duration_s <= 0):
        raise ValueError(f"stop_s must be after start_s, got {stop_s} s after {start_s} s")
    u_s = np.broadcast_to(math.sqrt(2.0) * np.asarray(u_press_s), duration_s.shape)
    return Measured(plain(duration_s), plain(u_s))
