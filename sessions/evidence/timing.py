"""How exactly a pass was timed, by its method; the phone's page has the same rule in `static/field/outing.js`."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.crossings import SHARE_WITHIN, UNKNOWN_ACCURACY_M
from calc.timing import frame_duration_u_s, stopwatch_duration
from sessions.outings.models import Pass

LIGHT_GATE_U_S = 0.002
"""Two beams, each read to about a millisecond (common practice, no source)."""

U_BETWEEN_FIXES_M = 2.0**0.5 * UNKNOWN_ACCURACY_M / SHARE_WITHIN
"""Of the way between two fixes of which nothing more is known."""


def duration_u_s(
    method: Any, frames_per_s: Any, stated_u_s: Any, u_press_s: Any, duration_s: Any, length_m: Any
) -> Any:
    """Standard uncertainty of timed passes: as stated, or the usual one of the method.

    Parameters
    ----------
    method: values of `Pass.Method`, 1-D array of text.
    frames_per_s: frame rate of those timed by video [1/s], NaN for others; a video without one counts as a stopwatch.
    stated_u_s: what a person stated [s], NaN where nobody did.
    u_press_s: standard uncertainty of one press of a stopwatch [s], array or float.
    duration_s, length_m: time of the pass [s] and length of its gate [m]: a satellite's fixes are uncertain in metres,
        and what that is in seconds depends on the speed.

    Returns
    -------
    Array [s].
    """
    usual = stopwatch_duration(np.zeros(method.size), np.ones(method.size), u_press_s).u * np.ones(method.size)
    usual[method == Pass.Method.LIGHT_GATE] = LIGHT_GATE_U_S
    by_satellite = method == Pass.Method.SATELLITE
    usual[by_satellite] = (U_BETWEEN_FIXES_M * duration_s / length_m)[by_satellite]
    with np.errstate(invalid="ignore"):
        by_video = (method == Pass.Method.VIDEO) & (frames_per_s > 0)
    if by_video.any():
        usual[by_video] = frame_duration_u_s(frames_per_s[by_video])
    return np.where(np.isnan(stated_u_s), usual, stated_u_s)
