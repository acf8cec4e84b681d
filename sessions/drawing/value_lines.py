"""A value with its interval among earlier ones, on a line; drawn as SVG in the page's own colours."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

WIDTH = 320.0
_MARGIN = 12.0


@dataclass(frozen=True)
class ValueLine:
    """Places along the line. Without an uncertainty, the interval has no length."""

    earlier_x: list[float]
    lower_x: float
    upper_x: float
    x: float


def value_line(value: float, u: float | None, earlier: Sequence[float]) -> ValueLine | None:
    """A value with ± twice its standard uncertainty, and earlier ones; None where there are none to see it by."""
    known = [other for other in earlier if math.isfinite(other)]
    if not known:
        return None
    half = 2.0 * (u or 0.0)
    ends = [value - half, value + half, *known]
    low, high = min(ends), max(ends)

    def x(place: float) -> float:
        share = (place - low) / (high - low) if high > low else 0.5
        return round(_MARGIN + share * (WIDTH - 2.0 * _MARGIN), 1)

    return ValueLine([x(other) for other in known], x(value - half), x(value + half), x(value))
