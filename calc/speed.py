"""Speed between marks a known distance apart."""

from __future__ import annotations

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
