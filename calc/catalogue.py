"""Every declared calculation, grouped by module, for the page that explains the numbers."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module

from calc.calculator import inputs_of
from calc.declaration import CATALOGUE
from calc.results import GROUPS, RESULTS, Declaration

MODULES = {
    "timing": "Clocks",
    "two_clocks": "Clocks",
    "speed": "Speed",
    "geodesy": "Places and tracks",
    "crossings": "Places and tracks",
    "energy": "Charge and energy",
    "recording": "What a log adds up to",
    "coasting": "Stretches of a log",
    "coast_down": "Road load",
    "pass_overlay": "Stretches of a log",
    "alignment": "Clocks of several logs",
    "thinning": "Charts of long logs",
    "pack": "Battery pack",
    "voltage_limits": "Voltage limits",
    "wiring": "Wiring",
    "fuses": "Fuses",
    "charging": "Charging",
    "endurance": "Range and runtime",
    "drivetrain": "Drivetrain",
    "road_load": "Road load",
    "resistance": "Rolling and drag",
    "stability": "Stability",
    "support_polygon": "Space and support",
    "traction": "Grip",
    "weather": "Air",
    "ice": "Ice",
    "least_squares": "Fitting",
    "uncertainty": "Uncertainty",
    "reliability": "Reliability",
    "mode_rates": "Reliability",
    "steady_rate": "Reliability",
    "rate_change": "Before and after a fix",
    "comparison": "Comparison",
    "multiple_questions": "Several questions at once",
    "repeated_looks": "Looking again and again",
    "sample_size": "Planning sessions",
}

for _module in MODULES:
    import_module(f"calc.{_module}")


@dataclass(frozen=True)
class MethodRow:
    name: str
    title: str
    formula: str
    source: str
    meaning: str
    validity: list[tuple[str, str]]
    results: list[Declaration]
    """The results on pages that are worked out by it."""
    can_be_tried: bool
    """Whether all it takes are single numbers, so that a person can try it with his own."""


def page_rows() -> list[tuple[str, list[MethodRow]]]:
    """The catalogue as (heading, methods) pairs.

    Examples
    --------
    >>> headings = [heading for heading, _ in page_rows()]
    >>> headings[:2]
    ['Clocks', 'Speed']
    """
    groups: dict[str, list[MethodRow]] = {heading: [] for heading in MODULES.values()}
    for name, declared in CATALOGUE.items():
        row = MethodRow(
            name=name,
            title=declared.title,
            formula=declared.formula,
            source=declared.source,
            meaning=declared.summary.split("\n\nParameters", 1)[0].replace("\n", " "),
            validity=declared.validity(),
            results=[result for result in RESULTS.values() if name in result.kernels],
            can_be_tried=bool(inputs_of(name)),
        )
        groups[MODULES[name.split(".")[0]]].append(row)
    return list(groups.items())


def result_rows() -> list[tuple[str, list[Declaration]]]:
    """What pages show, grouped as they are."""
    return [(group, [result for result in RESULTS.values() if result.group == group]) for group in GROUPS]
