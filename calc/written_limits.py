"""How an estimate and its limits are written, in the reader's unit."""

from __future__ import annotations

from calc.digits import decimals_for, with_minus
from calc.kinds import KINDS
from calc.quantities import difference_in_shown_unit, in_shown_unit, written


def written_within(value: float, lower: float, upper: float, kind_name: str, system: str = "metric") -> str:
    """An estimate with limits as pages write it: to the place of two digits of half the distance of its limits.

    >>> written_within(14.145, 14.085, 14.2, "speed"), written_within(0.972, 0.17, 3.06, "ratio")
    ('50.92 km/h', '1.0')
    """
    number = with_minus(in_shown_unit(value, kind_name, system), _place_of(lower, upper, kind_name, system))
    return f"{number} {KINDS[kind_name].shown_in(system).label}".strip()


def written_limits(lower: float, upper: float, kind_name: str, system: str = "metric") -> str:
    """Both limits, to the same place as the estimate.

    >>> written_limits(14.085, 14.2, "speed"), written_limits(0.17, 3.06, "ratio")
    ('50.71 to 51.12 km/h', '0.2 to 3.1')
    """
    decimals = _place_of(lower, upper, kind_name, system)
    both = [with_minus(in_shown_unit(end, kind_name, system), decimals) for end in (lower, upper)]
    return f"{both[0]} to {both[1]} {KINDS[kind_name].shown_in(system).label}".strip()


def written_span(low: float, high: float, kind_name: str, system: str = "metric", digits: int = 2) -> str:
    """Two values to the same place, with their unit once; one where they read the same.

    >>> written_span(2.22, 2.73, "speed"), written_span(2.22, 2.22, "speed"), written_span(1500, 2730, "runtime")
    ('8.0 to 9.8 km/h', '8 km/h', '25 min to 45 min 30 s')
    """
    upper = written(high, kind_name, system, None, digits)
    number, *units = upper.split(" ")
    if len(units) > 1:
        lower = written(low, kind_name, system, None, digits)
        return upper if lower == upper else f"{lower} to {upper}"
    lower = with_minus(in_shown_unit(low, kind_name, system), len(number.partition(".")[2]))
    return upper if number == lower else f"{lower} to {upper}"


def _place_of(lower: float, upper: float, kind_name: str, system: str) -> int:
    return decimals_for(abs(difference_in_shown_unit(upper - lower, kind_name, system)) / 2.0)
