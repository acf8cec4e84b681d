"""Slips of the pen: what people type in place of a value, and the value that was meant then.

Factors follow from the definitions of the units; which slips are tried for which kind of quantity is common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from calc.doubts.columns import Array, Columns

POUND_KG = 0.45359237
"""International pound: exact (yard and pound agreement, 1959)."""
MILE_M = 1609.344
INCH_M = 0.0254
KNOT_MPS = 1852.0 / 3600.0
MILE_PER_HOUR_MPS = MILE_M / 3600.0


@dataclass(frozen=True)
class Slip:
    """What was meant in place of what is stored. `words` stand on the button, after the value that was meant."""

    key: str
    words: str
    meant: Callable[[Array, Columns], Array]


def _times(key: str, words: str, factor: float) -> Slip:
    return Slip(key, words, lambda value, _: value * factor)


_TENFOLD = (
    _times("tenth", "decimal mark one place too far right", 0.1),
    _times("tenfold", "decimal mark one place too far left", 10.0),
)
_HUNDREDTH = _times("hundredth", "decimal mark left out", 0.01)
_HUNDREDFOLD = _times("hundredfold", "two zeros left out", 100.0)
_SIGN = Slip("sign", "the other sign", lambda value, _: -value)
_CELSIUS = Slip("fahrenheit", "it was in °F", lambda value, _: (value - 32.0) / 1.8)
_MINUTES = _times("minutes_for_seconds", "it was in minutes, not seconds; or hours and minutes", 60.0)
_SECONDS = _times("seconds_for_minutes", "it was in seconds, not minutes; or minutes, not hours", 1.0 / 60.0)

SLIPS: dict[str, tuple[Slip, ...]] = {
    "runtime": (_MINUTES, _SECONDS, _times("hours_for_seconds", "it was in hours, not seconds", 3600.0), *_TENFOLD),
    "duration": (
        _HUNDREDTH,
        _MINUTES,
        _SECONDS,
        _times("milliseconds", "it was in ms", 0.001),
        *_TENFOLD,
        _HUNDREDFOLD,
    ),
    "trip": (
        _times("kilometres_for_metres", "it was in km, not m", 1000.0),
        _times("metres_for_kilometres", "it was in m, not km", 0.001),
        _times("miles", "it was in miles, not km", 1.609344),
        *_TENFOLD,
        _HUNDREDTH,
    ),
    "counter not reset": (
        Slip(
            "counter_not_reset",
            "the counter was not reset: less the distance of the last session",
            lambda value, columns: value - columns.previous_distance_m,
        ),
    ),
    "charge": (
        _times("milliampere_hours", "it was in mAh, not Ah", 0.001),
        _times("ampere_hours", "it was in Ah, not mAh", 1000.0),
        *_TENFOLD,
        _HUNDREDTH,
        _SIGN,
    ),
    "energy": (
        _times("kilowatt_hours", "it was in kWh, not Wh", 1000.0),
        _times("watt_hours", "it was in Wh, not kWh", 0.001),
        *_TENFOLD,
        _HUNDREDTH,
    ),
    "voltage": (
        _times("millivolts", "it was in mV", 0.001),
        _times("centivolts", "it was in hundredths of a volt, or without its decimal mark", 0.01),
        *_TENFOLD,
    ),
    "cell voltage": (
        Slip("cell_voltage", "it was of one cell", lambda value, columns: value * columns.pack_cells_in_series),
    ),
    "current": (
        _times("milliamperes", "it was in mA", 0.001),
        _times("centiamperes", "it was in hundredths of an ampere", 0.01),
        *_TENFOLD,
        _SIGN,
    ),
    "mass": (
        _times("pounds", "it was in lb", POUND_KG),
        _times("kilograms", "it was in kg, not lb", 1.0 / POUND_KG),
        _times("grams", "it was in g", 0.001),
        *_TENFOLD,
    ),
    "temperature": (
        _SIGN,
        _CELSIUS,
        Slip("kelvin", "it was in K", lambda value, _: value - 273.15),
        _TENFOLD[0],
    ),
    "speed": (
        _times("kilometres_per_hour", "it was in km/h, not m/s", 1.0 / 3.6),
        _times("metres_per_second", "it was in m/s, not km/h", 3.6),
        _times("miles_per_hour", "it was in mph, not m/s", MILE_PER_HOUR_MPS),
        _times("knots", "it was in knots, not m/s", KNOT_MPS),
        *_TENFOLD,
    ),
    "thickness": (
        _times("millimetres", "it was in mm, not cm", 0.1),
        _times("metres", "it was in m, not cm", 100.0),
        _times("inches", "it was in inches, not cm", 2.54),
        _TENFOLD[1],
    ),
    "length": (
        _times("millimetres", "it was in mm, not m", 0.001),
        _times("centimetres", "it was in cm, not m", 0.01),
        _times("inches", "it was in inches, not m", INCH_M),
        *_TENFOLD,
    ),
    "ratio": (*_TENFOLD, Slip("inverse", "the other way round", lambda value, _: 1.0 / value)),
    "motor constant": (*_TENFOLD, Slip("inverse", "it was in V per rpm", lambda value, _: 1.0 / value)),
    "power": (
        _times("kilowatts", "it was in kW, not W", 1000.0),
        _times("watts", "it was in W, not kW", 0.001),
        *_TENFOLD,
    ),
    "resistance": (_times("milliohms", "it was in mΩ, not Ω", 0.001), *_TENFOLD),
    "rotation": _TENFOLD,
    "frame rate": (_HUNDREDTH, *_TENFOLD),
}
