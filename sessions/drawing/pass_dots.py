"""The passes of a session in their order, each with its interval; drawn as SVG in the page's own colours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, HEIGHT = 420.0, 120.0
_TOP, _BOTTOM = 14.0, 96.0
MOST_LABELS = 8
"""With more passes than this only the fastest is labelled."""


@dataclass(frozen=True)
class Run:
    """One pass: speed with its standard uncertainty, and which way."""

    speed_mps: float
    u_mps: float
    is_out: bool
    label: str


@dataclass(frozen=True)
class Dot:
    x: float
    y: float
    top_y: float
    bottom_y: float
    is_out: bool
    way: str
    label: str
    """Empty where it would cover others."""
    label_x: float
    is_before: bool
    """The label stands before its dot, because behind it the picture ends."""


@dataclass(frozen=True)
class PassDots:
    dots: list[Dot]
    mean_y: float | None


def pass_dots(runs: Sequence[Run], mean_mps: float | None) -> PassDots | None:
    """Passes that count, and the mean of both ways as a line; None for fewer than two."""
    if len(runs) < 2:
        return None
    low = min(run.speed_mps - 2.0 * run.u_mps for run in runs)
    high = max(run.speed_mps + 2.0 * run.u_mps for run in runs)

    def y(speed_mps: float) -> float:
        share = (speed_mps - low) / (high - low) if high > low else 0.5
        return round(_BOTTOM - share * (_BOTTOM - _TOP), 1)

    step = WIDTH / len(runs)
    fastest = max(range(len(runs)), key=lambda place: runs[place].speed_mps)
    is_crowded = len(runs) > MOST_LABELS
    dots = []
    for place, run in enumerate(runs):
        x = round(step * (place + 0.5), 1)
        is_before = x > WIDTH - 50.0
        dots.append(
            Dot(
                x,
                y(run.speed_mps),
                y(run.speed_mps + 2.0 * run.u_mps),
                y(run.speed_mps - 2.0 * run.u_mps),
                run.is_out,
                "" if is_crowded else "out" if run.is_out else "back",
                run.label if not is_crowded or place == fastest else "",
                x - 10.0 if is_before else x + 10.0,
                is_before,
            )
        )
    is_within = mean_mps is not None and low <= mean_mps <= high
    return PassDots(dots, y(mean_mps) if mean_mps is not None and is_within else None)
