"""Formulas over logged values, such as `voltage * current`: read as arithmetic and nothing else, with units by pint.

A formula is parsed by Python's own parser and walked here; what is not arithmetic is refused by name. Nothing of it is
ever run as code.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pint

from calc.units import quantity_in, registry

LONGEST = 200
MOST_PARTS = 60
LARGEST_POWER = 4
TIME = "time"
_EXAMPLE = "for example voltage * current"


class NotAFormula(ValueError):
    """A formula that cannot be worked out; the message is a sentence that says what is wrong, and where."""


@dataclass(frozen=True)
class Formula:
    """A formula that was read. `names` are the values it is worked out from; names in quotation marks are in `quoted`.

    `needs_neighbours` says that a value rests on those before and after it, as a rate does.
    """

    text: str
    names: tuple[str, ...]
    quoted: tuple[str, ...]
    needs_neighbours: bool
    _tree: ast.expr

    def value(self, known: Mapping[str, Any]) -> Any:
        """The result as a quantity of pint, of one or many rows at once.

        Parameters
        ----------
        known: a quantity for each of `names` and `quoted`, all of one length; with a rate also `time`.

        Raises
        ------
        NotAFormula: a value is missing, or units do not fit together.

        Examples
        --------
        >>> read_formula("voltage * current", ["voltage", "current"]).value(
        ...     {"voltage": quantity_in(50.0, "volt"), "current": quantity_in(2.0, "ampere")}
        ... ).to("watt").magnitude
        100.0
        """
        try:
            # A division by zero is nothing measured.
            with np.errstate(all="ignore"):
                return _as_quantity(_value(self._tree, known))
        except pint.DimensionalityError as error:
            raise NotAFormula(f"{error.units1} and {error.units2} cannot be added, compared or powered here.") from None
        except pint.OffsetUnitCalculusError:
            raise NotAFormula(
                "A temperature in °C can only have another subtracted: (motor_temperature - battery_temperature)."
            ) from None
        except (pint.PintError, ZeroDivisionError, OverflowError) as error:
            raise NotAFormula(f"It cannot be worked out: {error}.") from None

    def in_unit(self, known: Mapping[str, Any], unit: str) -> Any:
        """The result in a unit, plain numbers. Raises NotAFormula where it is of another kind."""
        value, wanted = self.value(known), unit_of(unit)
        try:
            numbers = np.asarray(value.to(wanted).magnitude, dtype=np.float64)
            return np.where(np.isfinite(numbers), numbers, np.nan)
        except pint.DimensionalityError:
            shown = f"{value.units:~}" or "a plain number"
            raise NotAFormula(f"The formula gives {shown}, which is no {unit or 'plain number'}.") from None
        except pint.PintError as error:
            raise NotAFormula(f"It cannot be worked out: {error}.") from None


def unit_of(text: str) -> Any:
    """A unit as pint has it. Raises NotAFormula for anything else, and for what pint would take for another unit.

    Examples
    --------
    >>> str(unit_of("W")), str(unit_of("°C")), str(unit_of(""))
    ('watt', 'degree_Celsius', 'dimensionless')
    """
    spelled = _SPELLED.get(text.strip(), text.strip().replace("·", "*"))
    if len(spelled) > 40 or re.match(r"\d", spelled.removeprefix("1/")):
        raise NotAFormula(f"{text[:40]!r} is no unit; write one such as W, Wh/km, m/s or N*m.")
    try:
        return registry().Unit(spelled or "dimensionless")
    except (pint.PintError, ValueError, TypeError, AttributeError, SyntaxError, AssertionError):
        raise NotAFormula(f"{text[:40]!r} is no unit; write one such as W, Wh/km, m/s or N*m.") from None


_SPELLED = {
    "°C": "degree_Celsius",
    "C": "degree_Celsius",
    "K": "kelvin",
    "%": "percent",
    "Nm": "newton*meter",
    "1": "dimensionless",
    "rpm": "revolution/minute",
    "G": "standard_gravity",
    "g": "standard_gravity",
}
"""Units that pint reads as something else, or not at all."""


def _smallest(*values: Any) -> Any:
    return _extreme(np.minimum, values)


def _largest(*values: Any) -> Any:
    return _extreme(np.maximum, values)


def _extreme(pick: Callable[[Any, Any], Any], values: tuple[Any, ...]) -> Any:
    # A plain 0 is 0 of any unit, so that max(current, 0) can be written.
    with_unit = next((value for value in values if isinstance(value, pint.Quantity)), None)
    unit = "dimensionless" if with_unit is None else with_unit.units
    magnitudes = [0.0 if _is_zero(value) else _as_quantity(value).to(unit).magnitude for value in values]
    result = magnitudes[0]
    for other in magnitudes[1:]:
        result = pick(result, other)
    return quantity_in(result, unit)


def _is_zero(value: Any) -> bool:
    return isinstance(value, float) and value == 0.0


def _as_quantity(value: Any) -> Any:
    return value if isinstance(value, pint.Quantity) else quantity_in(value, "dimensionless")


def _root(value: Any) -> Any:
    return value**0.5


FUNCTIONS: dict[str, tuple[int, int, Callable[..., Any]]] = {
    "abs": (1, 1, abs),
    "min": (2, 4, _smallest),
    "max": (2, 4, _largest),
    "sqrt": (1, 1, _root),
}
"""Each function with the fewest and the most values it takes."""
RATE = "rate"
"""The change for each second, by the rows before and after."""

_OPERATIONS: dict[type[ast.operator], Callable[[Any, Any], Any]] = {
    ast.Add: lambda left, right: left + right,
    ast.Sub: lambda left, right: left - right,
    ast.Mult: lambda left, right: left * right,
    ast.Div: lambda left, right: left / right,
    ast.Pow: lambda left, right: left**right,
}


def read_formula(text: str, names: Collection[str]) -> Formula:
    """A formula from what somebody typed.

    Arithmetic with + - * / ** and brackets, numbers, the given names, names of a file's own columns in quotation
    marks, units such as ohm, and the functions abs, min, max, sqrt and rate.

    Parameters
    ----------
    text: the formula, at most 200 characters.
    names: what can stand in it.

    Raises
    ------
    NotAFormula: a sentence that says what is wrong.

    Examples
    --------
    >>> read_formula('rate(speed) / "brake force"', ["speed"]).quoted
    ('brake force',)
    >>> read_formula("__import__('os')", ["speed"])
    Traceback (most recent call last):
    calc.formulas.NotAFormula: __import__() is no function here; abs, min, max, sqrt and rate are.
    """
    written = " ".join(text.split()).replace("·", "*").replace("×", "*").replace("−", "-").replace("^", "**")
    if not written or len(written) > LONGEST:
        raise NotAFormula(f"Write a formula of at most {LONGEST} characters, {_EXAMPLE}.")
    try:
        tree = ast.parse(written, mode="eval").body
        parts = list(ast.walk(tree))
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise NotAFormula(f"{written!r} is no formula: write it with + - * / and brackets, {_EXAMPLE}.") from None
    if len(parts) > 4 * MOST_PARTS:
        raise NotAFormula(f"A formula has at most {MOST_PARTS} values and signs. Make two of it.")
    used: dict[str, None] = {}
    quoted: dict[str, None] = {}
    _check(tree, names, used, quoted)
    if not used and not quoted:
        raise NotAFormula(f"There is no logged value in it. Name at least one, {_EXAMPLE}.")
    is_rate = any(isinstance(part, ast.Call) and getattr(part.func, "id", "") == RATE for part in parts)
    return Formula(written, tuple(used), tuple(quoted), is_rate, tree)


def _check(part: ast.expr, names: Collection[str], used: dict[str, None], quoted: dict[str, None]) -> None:
    """Refuse what is no arithmetic, and note what it is worked out from."""
    match part:
        case ast.BinOp(left=left, op=ast.Pow(), right=right):
            if _power(right) is None:
                raise NotAFormula(
                    f"A power is a plain number from -{LARGEST_POWER} to {LARGEST_POWER}, as in speed**2."
                )
            _check(left, names, used, quoted)
        case ast.BinOp(left=left, op=ast.Mult() | ast.Div(), right=right) if _is_unit_of(left, right, names):
            _check(left, names, used, quoted)
        case ast.BinOp(left=left, op=operation, right=right) if type(operation) in _OPERATIONS:
            _check(left, names, used, quoted)
            _check(right, names, used, quoted)
        case ast.UnaryOp(op=ast.UAdd() | ast.USub(), operand=operand):
            _check(operand, names, used, quoted)
        case ast.Constant(value=bool()):
            raise NotAFormula(f"{ast.unparse(part)[:40]} cannot stand in a formula.")
        case ast.Constant(value=int() | float() as value):
            if abs(value) > 1e15:
                raise NotAFormula("A number in a formula is at most 1e15.")
        case ast.Constant(value=str() as value):
            quoted[value] = None
        case ast.Name(id=name) if name in names:
            used[name] = None
        case ast.Name(id=name):
            unit = " A unit stands behind a number, as in 0.05 * ohm." if _is_unit(name) else ""
            raise NotAFormula(f"{name} is no logged value. Known are: {', '.join(sorted(names))}.{unit}")
        case ast.Call(func=ast.Name(id=name), args=arguments, keywords=[]) if name in FUNCTIONS or name == RATE:
            fewest, most, _ = FUNCTIONS.get(name, (1, 1, None))
            if not fewest <= len(arguments) <= most:
                count = f"{fewest}" if fewest == most else f"{fewest} to {most}"
                raise NotAFormula(f"{name}() takes {count} value{'' if most == 1 else 's'}.")
            for argument in arguments:
                _check(argument, names, used, quoted)
        case ast.Call(func=function):
            raise NotAFormula(f"{ast.unparse(function)[:40]}() is no function here; abs, min, max, sqrt and rate are.")
        case _:
            raise NotAFormula(f"{ast.unparse(part)[:40]} cannot stand in a formula: write arithmetic, {_EXAMPLE}.")


def _is_unit_of(left: ast.expr, right: ast.expr, names: Collection[str]) -> bool:
    """Whether the right side is the unit of the number before it, as in 0.05 * ohm and 9.81 * m / s**2. A unit
    elsewhere would be a misspelled value that counts as 1."""
    if isinstance(right, ast.BinOp) and isinstance(right.op, ast.Pow) and _power(right.right) is not None:
        right = right.left
    if not isinstance(right, ast.Name) or right.id in names or not _is_unit(right.id):
        return False
    while isinstance(left, (ast.BinOp, ast.UnaryOp)):
        if isinstance(left, ast.BinOp) and isinstance(left.op, ast.Pow):
            left = left.left
        else:
            left = left.right if isinstance(left, ast.BinOp) else left.operand
    return isinstance(left, ast.Constant) or (isinstance(left, ast.Name) and left.id not in names)


def _power(part: ast.expr) -> float | None:
    match part:
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            power = _power(operand)
            return None if power is None else -power
        case ast.Constant(value=bool()):
            return None
        case ast.Constant(value=int() | float() as value) if value <= LARGEST_POWER:
            return float(value)
    return None


def _is_unit(name: str) -> bool:
    try:
        unit_of(name)
    except NotAFormula:
        return False
    return True


def _value(part: ast.expr, known: Mapping[str, Any]) -> Any:
    match part:
        case ast.BinOp(left=left, op=ast.Pow(), right=right):
            return _value(left, known) ** _power(right)
        case ast.BinOp(left=left, op=operation, right=right):
            return _OPERATIONS[type(operation)](_value(left, known), _value(right, known))
        case ast.UnaryOp(op=sign, operand=operand):
            value = _value(operand, known)
            return -value if isinstance(sign, ast.USub) else value
        case ast.Constant(value=str() | int() | float() as value):
            return _known(value, known) if isinstance(value, str) else float(value)
        case ast.Name(id=name):
            return known[name] if name in known else quantity_in(1.0, unit_of(name))
        case ast.Call(func=ast.Name(id=name), args=[argument]) if name == RATE:
            return _rate(_value(argument, known), _known(TIME, known))
        case ast.Call(func=ast.Name(id=name), args=arguments):
            return FUNCTIONS[name][2](*(_value(argument, known) for argument in arguments))
    raise NotAFormula("It is no formula.")


def _known(name: str, known: Mapping[str, Any]) -> Any:
    if name not in known:
        raise NotAFormula(f"{name} is not logged.")
    return known[name]


def _rate(value: Any, time: Any) -> Any:
    value = _as_quantity(value)
    magnitudes = np.asarray(value.magnitude, dtype=np.float64)
    unit = (value - value).units if not value._is_multiplicative else value.units
    if magnitudes.ndim == 0 or magnitudes.size < 2:
        return quantity_in(np.zeros_like(magnitudes), unit) / quantity_in(1.0, "second")
    return quantity_in(np.gradient(magnitudes, time.to("second").magnitude), unit) / quantity_in(1.0, "second")
