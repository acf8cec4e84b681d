"""Grip: pulling, stopping, climbing. Friction is a cited range, never one truth.

Ice near melting, a film of water or a patch of snow changes grip within metres. Measure your own
stopping distance, at low speed, with room to spare, before you rely on any figure.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, kernel, not_negative, plain, positive
from calc.stability import STANDARD_GRAVITY_MPS2


class FrictionRange(NamedTuple):
    """Lowest and highest friction coefficient cited for one pair of surfaces."""

    pair: str
    low: float
    high: float
    source: str


_OPENSTAX = "OpenStax College Physics, table 5.1 (kinetic, static; from memory for the table)"
_NEW_YORK = "New York State Reference Tables, Physics (2002)"
FRICTION_RANGES = (
    FrictionRange("Rubber on ice", 0.10, 0.15, f"SAE 960959 (locked tyre, 0.10); {_NEW_YORK}, 0.15"),
    FrictionRange("Steel on ice", 0.0046, 0.03, "De Koning et al., J. Biomech. 25 (1992) 565–571; physics.info"),
    FrictionRange("Shoes on ice", 0.05, 0.10, _OPENSTAX),
    FrictionRange("Waxed ski on snow", 0.05, 0.14, f"{_NEW_YORK} (kinetic, static)"),
    FrictionRange("Rubber on wet concrete", 0.5, 0.7, _OPENSTAX),
    FrictionRange("Rubber on dry concrete", 0.7, 1.0, _OPENSTAX),
)
"""Spans of cited values, not bounds: on wet ice near melting grip falls below the low end. The
paper behind 0.10 for a tyre itself warns of large variation. None of them holds for studs."""


CAREFUL_FRICTION = 0.05
"""The low end of what is cited for shoes on ice and skis on snow; rubber on ice holds twice that, steel far less."""


@kernel(
    title="Tractive limit",
    formula="F = μ N",
    source="Coulomb friction; e.g. OpenStax College Physics, 5.1.",
    returns="newton",
    load_n=not_negative(),
    friction=positive(),
)
def tractive_limit_n(load_n: Number, friction: Number) -> Any:
    """Largest force the driven contacts can pass to the ground.

    Parameters
    ----------
    load_n: weight on the driven contacts, float or array [N], 0 or more.
    friction: friction coefficient, above 0; try both ends of a cited range.

    Returns
    -------
    Force [N].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> tractive_limit_n(load_n=1000.0, friction=0.125)
    125.0
    """
    return plain(np.asarray(load_n) * np.asarray(friction))


@kernel(
    title="Stopping distance",
    formula="d = v t_r + v² / (2 μ g_n)",
    source="Uniform deceleration at the grip limit on level ground; g_n from ISO 80000-3:2019.",
    returns="meter",
    speed_mps=not_negative(),
    friction=positive(),
    reaction_s=not_negative(),
)
def stopping_distance_m(speed_mps: Number, friction: Number, reaction_s: Number = 0.0) -> Any:
    """Distance from seeing the danger to standing, every contact braked to its limit.

    With one wheel braked, or a push from behind, it is longer. Plan a run-out several times this.

    Parameters
    ----------
    speed_mps: speed, float or array [m/s], 0 or more.
    friction: friction coefficient, above 0; take the low end of a cited range.
    reaction_s: time before the brake bites [s], 0 or more.

    Returns
    -------
    Distance [m].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(stopping_distance_m(speed_mps=30 / 3.6, friction=0.10), 3)
    35.407
    """
    speed = np.asarray(speed_mps)
    return plain(speed * reaction_s + speed**2 / (2 * np.asarray(friction) * STANDARD_GRAVITY_MPS2))


@kernel(
    title="Climbable grade",
    formula="tan φ = μ · k",
    source="Statics on an incline; k is the share of weight on driven contacts, load transfer neglected.",
    friction=positive(),
    driven_share=positive(),
)
def climbable_grade(friction: Number, driven_share: Number = 1.0) -> Any:
    """Steepest grade that grip allows; the motor may allow less. The way down needs the same grip.

    Parameters
    ----------
    friction: friction coefficient, float or array, above 0.
    driven_share: share of the weight on driven contacts, above 0, at most 1.

    Returns
    -------
    Grade as rise over run.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> climbable_grade(friction=0.125, driven_share=0.5)
    0.0625
    """
    if np.any(np.asarray(driven_share) > 1):
        raise ValueError(f"driven_share must be at most 1, got {driven_share}")
    return plain(np.asarray(friction) * np.asarray(driven_share))
