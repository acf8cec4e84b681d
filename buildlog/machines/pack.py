"""The pack of a revision: its battery modules in strings, as far as their data say how they add up."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from buildlog.machines.models import Fitting
from calc import pack
from calc.session_facts import PackFacts

NEEDED = ("full_voltage_v", "nominal_voltage_v", "empty_voltage_v", "capacity_ah")
ALIKE = 0.005
"""Strings whose voltages differ by more than this share are not put in parallel (common practice, no source)."""


class String(NamedTuple):
    """Modules in series; of several kinds the weakest decides on charge and current."""

    number: int
    full_voltage_v: float
    nominal_voltage_v: float
    empty_voltage_v: float
    capacity_ah: float
    continuous_current_a: float | None
    charging_current_a: float | None
    resistance_ohm: float | None


def pack_of(modules: Sequence[Fitting]) -> PackFacts | None:
    """The modules as one pack; None without a full specification, or where nothing says how several kinds are wired."""
    strings = strings_of(modules)
    if not strings:
        return None
    first = strings[0]
    continuous_a = [string.continuous_current_a for string in strings]
    full_v, empty_v = first.full_voltage_v, first.empty_voltage_v
    capacity_ah = sum(string.capacity_ah for string in strings)
    specifications = [fitting.part.specification for fitting in modules]
    return PackFacts(
        # Rounded, because 14 × 4.2 V in binary is slightly above a voltage measured as 58.8 V.
        full_voltage_v=round(full_v, 9),
        nominal_voltage_v=first.nominal_voltage_v,
        empty_voltage_v=empty_v,
        capacity_ah=capacity_ah,
        energy_wh=first.nominal_voltage_v * capacity_ah,
        continuous_current_a=_together(continuous_a),
        curve=_assumed_curve(empty_v, full_v),
        highest_temperature_c=_least(specifications, "highest_temperature_c"),
        lowest_temperature_c=_most(specifications, "lowest_temperature_c"),
        lowest_charging_temperature_c=_most(specifications, "lowest_charging_temperature_c"),
    )


def strings_of(modules: Sequence[Fitting]) -> list[String]:
    """Strings in parallel, each alike; none where the modules' data or numbers do not say so."""
    if not modules or any(name not in fitting.part.specification for fitting in modules for name in NEEDED):
        return []
    if len(modules) > 1 and any(fitting.string is None for fitting in modules):
        return []
    numbered: dict[int, list[Fitting]] = {}
    for fitting in modules:
        numbered.setdefault(fitting.string or 1, []).append(fitting)
    strings = [_string(number, fittings) for number, fittings in sorted(numbered.items())]
    for name in ("full_voltage_v", "empty_voltage_v"):
        volts = [getattr(string, name) for string in strings]
        if max(volts) - min(volts) > ALIKE * max(volts):
            return []
    return strings


def _string(number: int, fittings: list[Fitting]) -> String:
    groups = []
    for fitting in fittings:
        series, parallel = fitting.series or 1, fitting.parallel or fitting.quantity
        specification = fitting.part.specification
        totals = pack.modules(series, parallel, **{name: specification[name] for name in NEEDED})
        resistance_ohm = specification.get("resistance_ohm")
        groups.append(
            (
                totals,
                _times(specification.get("continuous_current_a"), parallel),
                _times(specification.get("charging_current_a"), parallel),
                None if resistance_ohm is None else resistance_ohm * series / parallel,
            )
        )
    return String(
        number,
        sum(totals.full_voltage_v for totals, *_ in groups),
        sum(totals.nominal_voltage_v for totals, *_ in groups),
        sum(totals.empty_voltage_v for totals, *_ in groups),
        min(totals.capacity_ah for totals, *_ in groups),
        _weakest([continuous_a for _, continuous_a, _, _ in groups]),
        _weakest([charging_a for _, _, charging_a, _ in groups]),
        _sum([ohm for *_, ohm in groups]),
    )


def _times(value: float | None, count: int) -> float | None:
    return None if value is None else value * count


def _weakest(values: list[float | None]) -> float | None:
    """Unknown where that of any is: it may be the weakest."""
    known = [value for value in values if value is not None]
    return min(known) if len(known) == len(values) else None


def _sum(values: list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None


def _together(values: list[float | None]) -> float | None:
    """Of strings in parallel: the weakest times their number, as if all were that weak."""
    weakest = _weakest(values)
    return None if weakest is None else weakest * len(values)


def _least(specifications: list[dict[str, Any]], name: str) -> float | None:
    return min((values[name] for values in specifications if name in values), default=None)


def _most(specifications: list[dict[str, Any]], name: str) -> float | None:
    return max((values[name] for values in specifications if name in values), default=None)


def _assumed_curve(empty_voltage_v: float, full_voltage_v: float) -> pack.StateOfChargeCurve:
    """The shape of one published cell's rest-voltage curve, stretched between this pack's ends.

    The pages call it assumed, and its uncertainty is one of the measuring assumptions.
    """
    cell = pack.CELL_CURVE
    lowest, highest = cell.voltage_v[0], cell.voltage_v[-1]
    stretch = (full_voltage_v - empty_voltage_v) / (highest - lowest)
    return pack.StateOfChargeCurve(
        cell.state_of_charge, tuple(empty_voltage_v + (volts - lowest) * stretch for volts in cell.voltage_v)
    )
