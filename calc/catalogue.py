"""Every declared calculation, grouped by module, for the page that explains the numbers."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module

from calc.declaration import CATALOGUE

MODULES = {
    "timing": "Clocks",
    "speed": "Speed",
    "geodesy": "Places and tracks",
    "energy": "Charge and energy",
    "recording": "What a log adds up to",
    "coasting": "Stretches of a log",
    "alignment": "Clocks of several logs",
    "thinning": "Charts of long logs",
    "pack": "Battery pack",
    "voltage_limits": "Voltage limits",
    "endurance": "Range and runtime",
    "drivetrain": "Drivetrain",
    "road_load": "Road load",
    "resistance": "Rolling and drag",
    "stability": "Stability",
    "traction": "Grip",
    "weather": "Air",
    "ice": "Ice",
    "least_squares": "Fitting",
    "uncertainty": "Uncertainty",
    "reliability": "Reliability",
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
        )
        groups[MODULES[name.split(".")[0]]].append(row)
    return list(groups.items())
