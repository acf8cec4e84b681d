"""What a page costs, and what it may cost."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

FLAT = 1.3
"""Flat: at the largest size at most so many times the ratio at the smallest."""


class Goal(NamedTuple):
    """A page costs at most `ratio` times its bare page at `size` sessions, and is flat where `flat` says so."""

    ratio: float
    size: int | None = None
    """None for every size."""
    flat: bool = False


LIST = Goal(3.0, flat=True)
GOALS = {
    **dict.fromkeys(
        ("home", "shed", "sessions", "sessions, last", "session", "vehicle", "revision", "failures", "failures, last"),
        LIST,
    ),
    "search": Goal(10.0, 2_000),
    "compare": Goal(5.0, 2_000),
    "compare, all revisions": Goal(5.0, 2_000),
    "season": Goal(5.0, 2_000),
    "bench": Goal(5.0, 2_000),
    "report": Goal(10.0, 2_000),
    "what-if": Goal(10.0, 2_000),
    "new failure": Goal(10.0, 2_000),
    "field data": Goal(10.0, None, flat=True),
    "PUT of a pass": Goal(2.5),
}


def goal_of(name: str) -> Goal | None:
    return LIST if name.startswith("API ") else GOALS.get(name)


@dataclass
class Cost:
    """What a page costs at one size."""

    ratio: float
    ms: float
    bare_ms: float
    queries: int
    bytes: int
    """On the wire, compressed as a browser asks for it."""
    whole_bytes: int
    peak_mb: float
    """By how much the process grew at most while it answered."""


@dataclass
class Page:
    """One page: its address, and the rows that its bare page reads; without rows, a page of its bytes."""

    name: str
    address: str
    model: Any = None
    keys: list[Any] = field(default_factory=list)
    columns: tuple[str, ...] = ()
    route: str = ""
