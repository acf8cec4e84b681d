"""A voltage beside the limits of controller and motor: over, near, or below what keeps them awake."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.declaration import Number, any_real, kernel, plain, positive

WITHIN, NEAR, OVER = 0.0, 1.0, 2.0
NEAR_FRACTION = 0.02
"""What a meter, a charger and a cold morning may be off together (common practice, no source)."""

_SAME = 1e-9
"""14 times 4.2 V is 58.8 V, though not to the last binary digit."""


@kernel(
    title="A voltage beside its highest",
    formula="measured: over where U ≥ U_limit; by the data sheet: over where U > U_limit; near where U ≥ 0.98 U_limit",
    source="The limit is the maker's. The 2 %: common practice, no source.",
    limit_v=positive(),
    voltage_v=any_real(),
)
def voltage_state(limit_v: Number, voltage_v: Number, measured: Any = True) -> Any:
    """Whether a voltage is within its limit (0), near it (1) or over it (2).

    A measured voltage at the limit is over it, because a meter and its reader are never exact. A pack that is full
    to exactly the limit by its data sheet is near it: nothing is left, and nothing has been passed.

    Parameters
    ----------
    limit_v: highest voltage that controller or motor allows, float or array [V], above 0.
    voltage_v: voltage reached [V]; a logger may write one below 0.
    measured: whether it was measured, rather than taken from a data sheet; bool or array.

    Returns
    -------
    0, 1 or 2 for each.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> voltage_state(84.0, [80.0, 83.0, 84.0, 86.2]).tolist(), voltage_state(84.0, 84.0, measured=False)
    ([0.0, 1.0, 2.0, 2.0], 1.0)
    """
    share = np.asarray(voltage_v) / np.asarray(limit_v)
    over = np.where(measured, share >= 1.0 - _SAME, share > 1.0 + _SAME)
    return plain(np.where(over, OVER, np.where(share >= 1.0 - NEAR_FRACTION - _SAME, NEAR, WITHIN)))


@kernel(
    title="A voltage beside a cut-off",
    formula="U ≤ U_cut-off",
    source="The cut-off is the maker's.",
    cut_off_v=positive(),
    voltage_v=any_real(),
)
def is_cut_off(cut_off_v: Number, voltage_v: Number) -> Any:
    """Whether a controller stops at a voltage because it is too low: 1 where it does, 0 where not.

    Parameters
    ----------
    cut_off_v: low-voltage cut-off of the controller, float or array [V], above 0.
    voltage_v: voltage reached [V]; a logger may write one below 0.

    Returns
    -------
    0 or 1 for each.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> is_cut_off(cut_off_v=60.0, voltage_v=[58.8, 61.0]).tolist()
    [1.0, 0.0]
    """
    return plain((np.asarray(voltage_v) <= np.asarray(cut_off_v) * (1.0 + _SAME)).astype(np.float64))
