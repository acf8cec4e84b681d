"""The decimal sign that a person reads and types: a point, or the comma that most of Europe writes.

Everything is worked out, stored, exported and answered under /api/ with points. What a page shows, and what its forms
begin with, is turned at the end; a form reads both signs from anybody (`calc/quantities.py`).
"""

from __future__ import annotations

import re
from contextvars import ContextVar
from typing import Any

POINT, COMMA = ".", ","
SIGNS = ((POINT, "Point"), (COMMA, "Comma"))

chosen: ContextVar[str] = ContextVar("decimal_sign", default=POINT)
"""That of whoever is signed in."""

# A number with one point in it: no version such as 5.0.0, address such as 127.0.0.1 or file such as ride1.5.csv.
_NUMBER = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?![\w]|\.\w)")
_PARTS = re.compile(r"(<!--.*?-->|<[^>]*>)", re.DOTALL)
_TAG = re.compile(r"<(/?)([a-zA-Z0-9]+)([^>]*)>")
_READ_OUT = re.compile(r'aria-label="[^"]*"')
_AS_IT_IS = {"script", "style", "code", "pre", "kbd", "textarea"}
"""Elements whose text is no sentence: programs, names, and what somebody typed."""
_KEPT = "data-as-written"
"""Marks an element of a template whose text is to stay: the number of a version, a section of a standard."""


def in_chosen_sign(text: str) -> str:
    """A text with the decimal sign that was chosen.

    >>> in_chosen_sign("49.09 ± 0.90 km/h")
    '49.09 ± 0.90 km/h'
    """
    return text if chosen.get() == POINT else _NUMBER.sub(r"\1,\2", text)


def all_in_chosen_sign(data: Any) -> Any:
    """The same for every text in lists and tables of them."""
    if isinstance(data, str):
        return in_chosen_sign(data)
    if isinstance(data, dict):
        return {key: all_in_chosen_sign(value) for key, value in data.items()}
    return [all_in_chosen_sign(value) for value in data] if isinstance(data, (list, tuple)) else data


def page_in_chosen_sign(html: str) -> str:
    """A page with its text in the chosen sign, and what is read out. Other attributes and what is no sentence stay."""
    if chosen.get() == POINT:
        return html
    parts = _PARTS.split(html)
    kept: list[str] = []
    for place, part in enumerate(parts):
        if place % 2 == 0:
            parts[place] = part if kept else in_chosen_sign(part)
        elif tag := _TAG.fullmatch(part):
            closes, name, attributes = tag[1], tag[2].lower(), tag[3]
            if not kept and "aria-label" in attributes:
                parts[place] = _READ_OUT.sub(lambda label: in_chosen_sign(label[0]), part)
            if kept:
                if name == kept[-1]:
                    kept.pop() if closes else kept.append(name)
            elif not closes and (name in _AS_IT_IS or _KEPT in attributes) and not attributes.endswith("/"):
                kept.append(name)
    return "".join(parts)
