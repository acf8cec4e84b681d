"""How a stored value is written into a field in which it can be changed, and how a clock in it may be read."""

from __future__ import annotations

import re

from calc.digits import without_noise
from calc.quantities import in_shown_unit, understand, written

_CLOCK = re.compile(r"\s*\d{1,3}:[0-5]\d\s*")


def as_typed(value: float, kind_name: str, system: str = "metric") -> str:
    """A stored value as a person would type it, in the shown unit or in words that `understand` reads.

    >>> as_typed(100.0, "distance", "imperial"), as_typed(2117.0, "runtime"), as_typed(2100.0, "runtime")
    ('328.08', '35 min 17 s', '35')
    """
    text = without_noise(in_shown_unit(value, kind_name, system))
    if kind_name != "runtime" or without_noise(understand(text, kind_name)) == without_noise(value):
        return text
    minutes, seconds = divmod(round(abs(value), 2), 60.0)
    hours, minutes = divmod(int(minutes), 60)
    parts = [f"{hours} h" if hours else "", f"{minutes} min" if minutes else "", f"{seconds:.4g} s" if seconds else ""]
    return ("-" if value < 0 else "") + " ".join(part for part in parts if part)


def clock_words(text: str, kind_name: str) -> str:
    """How a clock that could be two times was read; "" for other texts.

    >>> clock_words("0:35", "runtime"), clock_words("35 min", "runtime"), clock_words("0:35", "duration")
    ('“0:35” is 35 min here: hours and minutes. Minutes and seconds are written 0 min 35 s.', '', '')
    """
    if kind_name != "runtime" or not _CLOCK.fullmatch(text):
        return ""
    minutes, seconds = text.strip().split(":")
    return (
        f"“{text.strip()}” is {written(understand(text, kind_name), kind_name)} here: hours and minutes. "
        f"Minutes and seconds are written {int(minutes)} min {int(seconds)} s."
    )
