"""With how many digits a number is written."""

from __future__ import annotations

import math


def decimals_for(spread: float) -> int:
    """Decimals that show a spread with two significant digits; below zero they are tens, hundreds, …

    JCGM 100:2008, 7.2.6: at most two significant digits of an uncertainty are worth giving.

    >>> decimals_for(0.9), decimals_for(0.178), decimals_for(34.0), decimals_for(3674.0), decimals_for(0.0997)
    (2, 2, 0, -2, 2)
    """
    if not math.isfinite(spread) or spread <= 0:
        return 0
    return 1 - int(f"{spread:.1e}".partition("e")[2])


def to_place(value: float, decimals: int) -> str:
    """A number to so many decimals; without any, to whole ones, tens, hundreds, …

    >>> to_place(41077.3, -2), to_place(49.091, 2)
    ('41100', '49.09')
    """
    return f"{value:.{decimals}f}" if decimals >= 0 else f"{round(value, decimals):.0f}"


def rounded(value: float, u: float) -> float:
    """A value to the place of two significant digits of twice its standard uncertainty; as it is where that is 0.

    >>> rounded(49.0914, 0.45), rounded(41077.0, 1837.0), rounded(7.25, 0.0)
    (49.09, 41100.0, 7.25)
    """
    return float(to_place(value, decimals_for(2.0 * u))) if u > 0 else value


def without_noise(value: float) -> str:
    """A stored number as somebody typed it: the seventh digit and what follows come from changing units.

    >>> without_noise(12.3456), without_noise(328.08398950131), without_noise(0.30000000000000004)
    ('12.3456', '328.08', '0.3')
    """
    short = f"{value:.7g}"
    if abs(float(short) - value) <= 1e-9 * abs(value):
        return f"{float(short):.12g}"
    return significant(value, 5).replace("−", "-")


def with_minus(value: float, decimals: int) -> str:
    """A number to so many decimals, with a minus sign that is one."""
    text = to_place(value, decimals)
    return text.replace("-", "−") if float(text) else text.replace("-", "")


def significant(value: float, digits: int = 4) -> str:
    """That many significant digits, without an exponent and without trailing zeros."""
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(decimals, 8)}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", "−")
