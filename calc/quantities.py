"""Quantities as people type and read them: which units each kind of quantity may be written in.

A spelling is accepted only where it is listed for its kind. pint alone would read "Nm" as a
number times metres, "C" as coulomb and "mb" as millibarn, and it cannot tell a torque from an
energy, because both have one dimension.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import cache
from typing import Any

from calc.digits import decimals_for, significant, to_place, with_minus
from calc.kinds import KINDS, Kind, Shown
from calc.units import convert


class NotUnderstood(ValueError):
    """Typed text that is not a quantity of the wanted kind. The message is a sentence for people."""


_NUMBER = r"[+-]?(?:\d{1,3}(?: \d{3})+|\d+)?(?:[.,]\d+|[.,](?!\d))?(?:[eE][+-]?\d+)?"
_PAIR = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>[^\d\s+.,-][^\d\s,]*|\"|')?\s*")
_CLOCK = re.compile(r"^(?:(\d+):)?(\d{1,3}):(\d{1,2}(?:[.,]\d+)?)$")
_COMPOUND = {"distance", "trip", "length", "small length", "thickness", "duration", "runtime", "mass"}


def understand(text: str, kind_name: str, system: str = "metric", example: str = "") -> float:
    """The quantity in a typed text, in the kind's stored unit.

    A bare number is in the unit the field shows. Point and comma both mark decimals, so "1,23"
    is 1.23; a text with both is refused, because it can be read two ways. Durations may be written as
    a clock: "0:35" is 35 min in a field of minutes or hours and 35 s in one of seconds, "1:23.4" is 83.4 s.
    Lengths and durations may be a sum ("5 ft 3 in", "1 h 5 min").

    Raises NotUnderstood with a sentence that says what kind was expected, and `example`, or the kind's own.

    >>> understand("7,33 s", "duration"), understand("1:05", "duration"), understand("-12", "temperature")
    (7.33, 65.0, -12.0)
    >>> understand("0:35", "runtime"), understand("1:05:30", "runtime"), understand("1:23.4", "runtime")
    (2100.0, 3930.0, 83.4)
    >>> round(understand("31 mph", "speed"), 4), understand("1 h 5 min", "runtime")
    (13.8582, 3900.0)
    >>> understand("12 V", "distance")
    Traceback (most recent call last):
    ...
    calc.quantities.NotUnderstood: “12 V” is not a distance: V is not one of its units (m, km, cm, mm, ft, …). \
Write for example 110 yd.
    """
    kind = replace(KINDS[kind_name], example=example) if example else KINDS[kind_name]
    cleaned = _cleaned(text)
    if not cleaned:
        raise NotUnderstood(f"Nothing was written. Write for example {kind.example}.")
    clock = _CLOCK.match(cleaned)
    if clock and kind.stored == "second":
        return _clock_s(clock, kind, text)
    ratio = re.fullmatch(r"(\d+)/(\d+)", cleaned)
    if ratio and kind.name == "frame rate" and int(ratio.group(2)):
        return int(ratio.group(1)) / int(ratio.group(2))
    pairs = _pairs(cleaned, text, kind)
    shown = kind.shown_in(system)
    if len(pairs) > 1 and (kind.name not in _COMPOUND or any(not unit for _, unit in pairs)):
        raise NotUnderstood(f"“{text.strip()}” has more than one number. Write for example {kind.example}.")
    total = sum(_stored(number, unit, text, kind, shown) for number, unit in pairs)
    if not math.isfinite(total):
        raise NotUnderstood(
            f"“{text.strip()}” is too large to be {_article(kind.noun)}. Write for example {kind.example}."
        )
    return total


def _clock_s(clock: re.Match[str], kind: Kind, text: str) -> float:
    hours, minutes, seconds = clock.groups()
    if hours is None and kind.name == "runtime" and seconds.isdigit():
        hours, minutes, seconds = minutes, seconds, "0"
    last = float(seconds.replace(",", "."))
    if last >= 60 or (hours is not None and float(minutes) >= 60):
        raise NotUnderstood(f"“{text.strip()}” is no time: minutes and seconds end at 59. Write for example 0:35.")
    return float(hours or 0) * 3600 + float(minutes) * 60 + last


def _article(noun: str) -> str:
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"


def _cleaned(text: str) -> str:
    for space in ("\u00a0", "\u202f", "\u2009", "\t"):
        text = text.replace(space, " ")
    for minus in ("\u2212", "\u2013", "\u2012"):
        text = text.replace(minus, "-")
    return text.strip()


def _pairs(cleaned: str, text: str, kind: Kind) -> list[tuple[float, str]]:
    if re.search(r"\d[.,]\d+[.,]\d", cleaned):
        raise NotUnderstood(
            f"“{text.strip()}” can be read in two ways, because it has more than one point or comma. "
            "Write the number with one decimal mark and no mark for thousands, for example 1234.5."
        )
    pairs = []
    position = 0
    while position < len(cleaned):
        match = _PAIR.match(cleaned, position)
        number = match.group("number") if match else ""
        if not match or not re.search(r"\d", number) or match.end() == position:
            raise NotUnderstood(f"“{text.strip()}” is not {_article(kind.noun)}. Write for example {kind.example}.")
        pairs.append((float(number.replace(" ", "").replace(",", ".")), match.group("unit") or ""))
        position = match.end()
    return pairs


def _stored(number: float, unit: str, text: str, kind: Kind, shown: Shown) -> float:
    pint_unit = _listed(unit, kind) if unit else shown.unit
    if pint_unit is None:
        known = ", ".join(list(dict.fromkeys(_short(kind)))[:5])
        raise NotUnderstood(
            f"“{text.strip()}” is not {_article(kind.noun)}: {unit} is not one of its units ({known}, …). "
            f"Write for example {kind.example}."
        )
    return number if pint_unit == kind.stored else float(convert(number, pint_unit, kind.stored))


def _short(kind: Kind) -> list[str]:
    units = list(kind.spellings.values())
    return [spelling for place, spelling in enumerate(kind.spellings) if units.index(units[place]) == place]


def _listed(unit: str, kind: Kind) -> str | None:
    """The pint unit of a spelling. Capitals may differ, except where they turn milli into mega."""
    if unit in kind.spellings:
        return kind.spellings[unit]
    for spelling, pint_unit in kind.spellings.items():
        if spelling.casefold() == unit.casefold():
            milli_or_mega = pint_unit.startswith(("milli", "mega")) and unit[0] != spelling[0]
            return None if milli_or_mega else pint_unit
    return None


def in_shown_unit(value: Any, kind_name: str, system: str = "metric") -> Any:
    """A stored value, float or array, in the unit that pages show.

    >>> in_shown_unit(20.0, "speed")
    72.0
    """
    factor, offset = _scale(kind_name, system)
    return value * factor + offset


@cache
def _scale(kind_name: str, system: str) -> tuple[float, float]:
    """Every shown unit is a factor and an offset of the stored one; a page asks for them thousands of times."""
    kind = KINDS[kind_name]
    unit = kind.shown_in(system).unit
    if unit == kind.stored:
        return 1.0, 0.0
    offset = float(convert(0.0, kind.stored, unit))
    return float(convert(1.0, kind.stored, unit)) - offset, offset


def difference_in_shown_unit(value: float, kind_name: str, system: str = "metric") -> float:
    """A difference or an uncertainty in the unit that pages show; a scale's offset zero plays no part.

    >>> round(difference_in_shown_unit(10.0, "temperature", "imperial"), 6)
    18.0
    """
    return float(in_shown_unit(value, kind_name, system) - in_shown_unit(0.0, kind_name, system))


def written(value: float, kind_name: str, system: str = "metric", u: float | None = None, digits: int = 4) -> str:
    """A stored value as pages write it; with a standard uncertainty u it is followed by ±2u.

    Without one it has at most `digits` significant digits behind the point.

    >>> written(13.6364, "speed", u=0.125)
    '49.09 ± 0.90 km/h'
    >>> written(41077.0, "power", u=1837.0)
    '41100 ± 3700 W'
    >>> written(-12.0, "temperature", "imperial")
    '10.4 °F'
    >>> written(3860.0, "runtime"), written(376.0, "runtime")
    ('1 h 4 min', '6 min 16 s')
    """
    label = KINDS[kind_name].shown_in(system).label
    if kind_name == "runtime" and not u:
        return _clock(value)
    shown = in_shown_unit(value, kind_name, system)
    spread = abs(difference_in_shown_unit(2.0 * u, kind_name, system)) if u else 0.0
    if spread > 0.0:
        decimals = decimals_for(spread)
        number = f"{with_minus(shown, decimals)} ± {to_place(spread, decimals)}"
    else:
        number = significant(shown, digits)
    return f"{number}{' ' if label and label != '°' else ''}{label}"


def _clock(value_s: float) -> str:
    """A length of time as people say it: hours and minutes, or minutes and seconds."""
    whole = round(abs(value_s))
    sign = "−" if value_s < 0 else ""
    if whole >= 3600:
        hours, minutes = divmod(round(whole / 60), 60)
        return f"{sign}{hours} h {minutes} min"
    minutes, seconds = divmod(whole, 60)
    if not minutes:
        return f"{sign}{seconds} s"
    return f"{sign}{minutes} min {seconds} s" if seconds else f"{sign}{minutes} min"


def written_difference(value: float, kind_name: str, system: str = "metric", digits: int = 4) -> str:
    """A difference as pages write it.

    >>> written_difference(10.0, "temperature", "imperial"), written_difference(4.175, "temperature", digits=2)
    ('18 °F', '4.2 °C')
    """
    number = significant(difference_in_shown_unit(value, kind_name, system), digits)
    return f"{number} {KINDS[kind_name].shown_in(system).label}".strip()


def written_change(before: float, after: float, kind_name: str, system: str = "metric") -> str:
    """By how much a stored value changed, with no more decimals than the two values are written with.

    >>> written_change(0.28047, 0.28211, "length"), written_change(58.8, 50.4, "voltage")
    ('+0.0016 m', '−8.4 V')
    """
    texts = [significant(in_shown_unit(value, kind_name, system)) for value in (before, after)]
    decimals = max(len(text.partition(".")[2]) for text in texts)
    change = with_minus(difference_in_shown_unit(after - before, kind_name, system), decimals)
    return f"{'+' if after > before else ''}{change} {KINDS[kind_name].shown_in(system).label}".strip()
