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
