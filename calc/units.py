"""The pint registry, and the unit of each name suffix.

Numbers inside the product are plain floats whose names end in their unit; this module is the
only place that says what the endings mean. pint is used at the edges, floats inside.
"""

from __future__ import annotations

import threading
from functools import cache
from typing import Any

import pint

SUFFIXES = {
    "m": "meter",
    "km": "kilometer",
    "cm": "centimeter",
    "mm": "millimeter",
    "s": "second",
    "min": "minute",
    "h": "hour",
    "per_s": "1/second",
    "mps": "meter/second",
    "mps2": "meter/second**2",
    "kmh": "kilometer/hour",
    "mph": "mile/hour",
    "rpm": "revolution/minute",
    "rpm_per_v": "revolution/minute/volt",
    "nm_per_a": "newton*meter/ampere",
    "kg": "kilogram",
    "kgm2": "kilogram*meter**2",
    "n": "newton",
    "nm": "newton*meter",
    "n_per_mps": "newton/(meter/second)",
    "n_per_mps2": "newton/(meter/second)**2",
    "v": "volt",
    "a": "ampere",
    "w": "watt",
    "ah": "ampere*hour",
    "wh": "watt*hour",
    "wh_per_km": "watt*hour/kilometer",
    "wh_per_kg": "watt*hour/kilogram",
    "ohm": "ohm",
    "c": "degree_Celsius",
    "f": "degree_Fahrenheit",
    "k": "kelvin",
    "per_c": "1/delta_degree_Celsius",
    "pa": "pascal",
    "kg_per_m3": "kilogram/meter**3",
    "kg_per_cm2": "kilogram/centimeter**2",
    "m2": "meter**2",
    "mm2": "millimeter**2",
    "uf": "microfarad",
    "j": "joule",
    "n_per_m": "newton/meter",
    "deg": "degree",
    "rad": "radian",
    "g": "standard_gravity",
    "per_km": "1/kilometer",
    "per_h": "1/hour",
}
"""What a name's ending means. `_g` is the standard acceleration of gravity, never the gram."""

_LOADING = threading.Lock()


def registry() -> pint.UnitRegistry[Any]:
    """The one registry. Its quantities cannot be mixed with those of another.

    It is made when first asked for: that takes a fifth of a second, and most commands need no unit.
    """
    with _LOADING:
        return _registry()


@cache
def _registry() -> pint.UnitRegistry[Any]:
    return pint.UnitRegistry()


def quantity_in(value: Any, unit: Any) -> Any:
    """A float or array as a quantity of pint.

    >>> print(quantity_in(110, "yard").to("meter"))
    100.584 meter
    """
    return registry().Quantity(value, unit)


_LONGEST_FIRST = sorted(SUFFIXES, key=len, reverse=True)


@cache
def suffix_of(name: str) -> str:
    """The unit suffix of a name, or "" if it has none.

    >>> suffix_of("drag_n_per_mps2"), suffix_of("frames_per_s"), suffix_of("reserve_fraction")
    ('n_per_mps2', 'per_s', '')
    """
    for suffix in _LONGEST_FIRST:
        if name.endswith(f"_{suffix}"):
            return suffix
    return ""


@cache
def unit_of_name(name: str) -> str:
    """The unit a name ends in, as pint writes it short, or "" if it has none.

    >>> unit_of_name("distance_m"), unit_of_name("speed_mps"), unit_of_name("count")
    ('m', 'm/s', '')
    """
    suffix = suffix_of(name)
    return f"{registry().Unit(SUFFIXES[suffix]):~P}" if suffix else ""


def magnitude_in(quantity: Any, name: str) -> Any:
    """The plain number of a quantity in the unit that `name` ends in.

    Raises ValueError, naming the argument, the value and the unit wanted, when the quantity is
    of another kind.

    >>> magnitude_in(quantity_in(110, "yard"), "distance_m")
    100.584
    """
    suffix = suffix_of(name)
    try:
        return quantity.to(SUFFIXES[suffix] if suffix else "dimensionless").magnitude
    except pint.DimensionalityError:
        wanted = unit_of_name(name) or "a plain number"
        raise ValueError(f"{name} must be a quantity in {wanted}, got {quantity:~P}") from None


def difference_unit(unit: str) -> str:
    """The unit of a difference: on a scale with an offset zero it is not the scale's own unit.

    >>> difference_unit("degC"), difference_unit("m/s")
    ('delta_degree_Celsius', 'm/s')
    """
    offset = {"degC": "delta_degree_Celsius", "degF": "delta_degree_Fahrenheit"}
    return offset.get(unit, unit)


def convert(value: Any, from_unit: str, to_unit: str) -> Any:
    """A float or array from one unit to another; units as pint spells them.

    >>> round(convert(1.0, "mile/hour", "meter/second"), 5)
    0.44704
    """
    return quantity_in(value, from_unit).to(to_unit).magnitude
