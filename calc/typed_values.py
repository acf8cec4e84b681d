"""How a stored value is written into a field in which it can be changed."""

from __future__ import annotations

from calc.digits import without_noise
from calc.quantities import in_shown_unit, understand


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
