"""One calculation with a person's own numbers, typed in any unit."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any, NamedTuple

import numpy as np
import pint

from calc.declaration import CATALOGUE, Measured, Number, Numbers, any_real, quantity_name
from calc.digits import significant
from calc.kinds import KINDS
from calc.quantities import NotUnderstood, understand
from calc.units import SUFFIXES, convert, quantity_in, registry, suffix_of, unit_of_name


@dataclass(frozen=True)
class Input:
    """One argument that a person types."""

    name: str
    label: str
    unit: str
    range: str
    default: str


class Answer(NamedTuple):
    """One number of the answer, in words."""

    label: str
    value: str


def inputs_of(name: str) -> list[Input]:
    """The arguments of a calculation, by its name in the catalogue; empty where one of them cannot be typed.

    Examples
    --------
    >>> [(typed.label, typed.unit) for typed in inputs_of("traction.stopping_distance_m")]
    [('Speed', 'm/s'), ('Friction', ''), ('Reaction', 's')]
    >>> inputs_of("recording.electrical_summary")
    []
    """
    declared = CATALOGUE[name]
    inputs = []
    for argument, parameter in inspect.signature(declared.function, eval_str=True).parameters.items():
        is_required = parameter.default is inspect.Parameter.empty
        if argument not in declared.arguments and not is_required:
            continue
        if parameter.annotation not in (Number, Numbers, float, Any) or parameter.default is None:
            return []
        label = quantity_name(argument).replace("_", " ").strip().capitalize()
        unit = unit_of_name(argument)
        limits = declared.arguments.get(argument, any_real()).sentence(unit)
        inputs.append(Input(argument, label, unit, limits, "" if is_required else f"{parameter.default:g}"))
    return inputs


def understood(text: str, argument: str) -> float | list[float]:
    """A typed number in the unit of an argument: bare, or with any unit that the product reads; or several bare ones.

    Raises NotUnderstood with a sentence.

    Examples
    --------
    >>> understood("7,5", "speed_mps"), understood("36 km/h", "speed_mps"), understood("0.1 0.2", "u")
    (7.5, 10.0, [0.1, 0.2])
    """
    bare = text.strip().replace("\u2212", "-").replace(",", ".")
    try:
        numbers = [float(word) for word in bare.split()]
    except ValueError:
        numbers = []
    if numbers:
        return numbers if len(numbers) > 1 else numbers[0]
    suffix = suffix_of(argument)
    unit = registry().Unit(SUFFIXES[suffix]) if suffix else registry().Unit("")
    refusal = NotUnderstood(f"\u201c{text}\u201d is not a number. Write for example 7.5.")
    for kind in KINDS.values():
        if registry().Unit(kind.stored).dimensionality == unit.dimensionality:
            try:
                return float(convert(understand(text, kind.name), kind.stored, str(unit)))
            except NotUnderstood as error:
                refusal = error
    raise refusal


def worked_out(name: str, arguments: Mapping[str, float | list[float]]) -> list[Answer]:
    """The answer of a calculation to single numbers, with units.

    Raises ValueError, as the calculation does.

    Examples
    --------
    >>> worked_out("traction.stopping_distance_m", {"speed_mps": 10.0, "friction": 0.05, "reaction_s": 1.0})
    [Answer(label='Stopping distance', value='112 m')]
    >>> worked_out("traction.stopping_distance_m", {"speed_mps": 50.0, "friction": 0.05, "reaction_s": 1.0})
    [Answer(label='Stopping distance', value='2599 m')]
    """
    module, function = name.rsplit(".", 1)
    calculation = getattr(import_module(f"calc.{module}"), function)
    quantities = {
        quantity_name(argument): quantity_in(value, SUFFIXES[suffix_of(argument)]) if suffix_of(argument) else value
        for argument, value in arguments.items()
    }
    result = calculation.with_units(**quantities)
    if isinstance(result, Measured):
        return [Answer(CATALOGUE[name].title, f"{_text(result.value)} ± {_text(2 * result.u)}")]
    if isinstance(result, tuple):
        fields: tuple[str, ...] = getattr(result, "_fields", ())
        return [
            Answer(quantity_name(field).replace("_", " ").capitalize(), _text(value))
            for field, value in zip(fields, result, strict=True)
        ]
    return [Answer(CATALOGUE[name].title, _text(result))]


def _text(value: Any) -> str:
    if isinstance(value, pint.Quantity):
        return f"{_text(value.magnitude)} {value.units:~P}".strip()
    if isinstance(value, np.ndarray | tuple | list):
        return ", ".join(_text(part) for part in np.ravel(value).tolist()) or "none"
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, float | int):
        return str(value)
    return significant(float(value), 3) if 1e-3 <= abs(value) < 1e9 else f"{value:.3g}"
