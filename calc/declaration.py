"""How a calculation declares itself: its units, its validity range, its formula and its source.

A kernel is a plain function on floats or NumPy arrays whose argument names end in their unit
(`distance_m`). The `kernel` decorator reads the unit off that suffix, checks every declared
argument on the way in and the result on the way out, and gives the function a second face,
`with_units`, which takes and returns pint quantities. The same declaration feeds the catalogue
of methods that the pages show, so the catalogue cannot disagree with the code.
"""

from __future__ import annotations

import functools
import inspect
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, ParamSpec, Protocol, TypeVar, cast

import numpy as np
import pint
from numpy.typing import NDArray

from calc.units import difference_unit, magnitude_in, quantity_in, suffix_of, unit_of_name

Number = float | NDArray[np.float64]
"""What a kernel takes and gives: one value, or an array of them."""
Numbers = Number | Sequence[float]
"""What a kernel takes that needs many values at once; a plain list will do."""
Places = NDArray[np.float64] | Sequence[Sequence[float]] | Sequence[float]
"""What a kernel takes that needs places in a plane or in space: one place, or a list of them."""


class Measured(NamedTuple):
    """A value with its standard uncertainty, both in the same unit (JCGM 100:2008, 2.3.1)."""

    value: Any
    u: Any


def plain(numbers: Any) -> Any:
    """A zero-dimensional array as the float it is; any other array unchanged."""
    array = np.asarray(numbers, dtype=np.float64)
    return float(array) if array.ndim == 0 else array


class Range(NamedTuple):
    """The numbers an argument may take."""

    low: float = -np.inf
    high: float = np.inf
    includes_low: bool = True
    includes_high: bool = True

    def holds(self, values: NDArray[np.float64]) -> NDArray[np.bool_]:
        above = values >= self.low if self.includes_low else values > self.low
        below = values <= self.high if self.includes_high else values < self.high
        return above & below

    def has(self, value: float) -> bool:
        """Whether it is a finite number of this range."""
        above = value >= self.low if self.includes_low else value > self.low
        below = value <= self.high if self.includes_high else value < self.high
        return bool(above and below and math.isfinite(value))

    def sentence(self, unit: str) -> str:
        unit = f" {unit}" if unit else ""
        low = "at least" if self.includes_low else "above"
        high = "at most" if self.includes_high else "below"
        limits = []
        if np.isfinite(self.low):
            limits.append(f"{low} {self.low:g}{unit}")
        if np.isfinite(self.high):
            limits.append(f"{high} {self.high:g}{unit}")
        return " and ".join(limits) or "a finite number"


def any_real() -> Range:
    return Range()


def positive() -> Range:
    return Range(low=0.0, includes_low=False)


def not_negative() -> Range:
    return Range(low=0.0)


def between(low: float, high: float) -> Range:
    return Range(low, high)


def strictly_between(low: float, high: float) -> Range:
    return Range(low, high, includes_low=False, includes_high=False)


@dataclass(frozen=True)
class Declaration:
    """What a kernel says about itself."""

    name: str
    title: str
    formula: str
    source: str
    arguments: dict[str, Range]
    returns: str | None
    function: Callable[..., Any]

    @property
    def summary(self) -> str:
        return inspect.getdoc(self.function) or ""

    def validity(self) -> list[tuple[str, str]]:
        """Each checked argument with the sentence that states its range."""
        return [(name, limits.sentence(unit_of_name(name))) for name, limits in self.arguments.items()]


CATALOGUE: dict[str, Declaration] = {}
"""Every declared kernel by "module.function", in the order the modules were read."""

P = ParamSpec("P")
R_co = TypeVar("R_co", covariant=True)
R = TypeVar("R")


class Kernel(Protocol[P, R_co]):
    """A declared function: callable on numbers, and on quantities through `with_units`."""

    declaration: Declaration

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R_co: ...

    def with_units(self, **quantities: Any) -> Any: ...


def checked(name: str, value: object, limits: Range) -> Number:
    """The value as a float or float array, or a ValueError that names argument, value and unit."""
    if isinstance(value, float):
        if limits.has(value):
            return float(value)
    # Of an array the least and the greatest speak for all, and both are NaN where any is.
    elif type(value) is np.ndarray and value.dtype == np.float64 and value.size:
        least, greatest = np.minimum.reduce(value, axis=None), np.maximum.reduce(value, axis=None)
        if limits.has(least) and limits.has(greatest):
            return cast(Number, plain(value))
    unit = unit_of_name(name)
    shown_unit = f" {unit}" if unit else ""
    if isinstance(value, pint.Quantity):
        raise ValueError(f"{name} takes a plain number in {unit or 'no unit'}; for {value} call with_units instead")
    try:
        numbers = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError):
        raise ValueError(f"{name} must be a number{shown_unit and ' in' + shown_unit}, got {value!r}") from None
    good = np.isfinite(numbers) & limits.holds(numbers)
    if not good.all():
        offender = numbers if numbers.ndim == 0 else numbers[~good][0]
        where = "" if numbers.ndim == 0 else f" at position {int(np.flatnonzero(~good.ravel())[0])}"
        raise ValueError(f"{name} must be {limits.sentence(unit)}, got {float(offender):g}{shown_unit}{where}")
    return cast(Number, plain(numbers))


def _refuse_nan(name: str, result: object) -> None:
    """A kernel that cannot answer must say so; a NaN that slips through would be shown as a number."""
    parts = result if isinstance(result, tuple) else (result,)
    for part in parts:
        if part != part if isinstance(part, float) else isinstance(part, np.ndarray) and np.isnan(part).any():
            raise ValueError(f"{name} has no answer for these arguments (the arithmetic gave NaN)")


def kernel(
    *, title: str, formula: str, source: str, returns: str | None = None, **arguments: Range
) -> Callable[[Callable[P, R]], Kernel[P, R]]:
    """Declare a calculation.

    Parameters
    ----------
    title: what it gives, in a few plain words.
    formula: the relation, in Unicode text.
    source: standard, section and year; or "common practice, no source".
    returns: the unit of a float, array or Measured result. Leave it out when the result is a
        named tuple: its fields carry their units in their names.
    arguments: the range of each numeric argument. Arguments not declared here (a curve, a
        word) are passed through and checked by the function itself.
    """

    def declare(function: Callable[P, R]) -> Kernel[P, R]:
        signature = inspect.signature(function)
        unknown = set(arguments) - set(signature.parameters)
        if unknown:
            raise TypeError(f"{function.__name__} declares {sorted(unknown)} but does not take them")
        name = f"{function.__module__.removeprefix('calc.')}.{function.__name__}"
        by_keyword = inspect.Parameter.KEYWORD_ONLY
        places = [parameter.name for parameter in signature.parameters.values() if parameter.kind != by_keyword]
        may_lack = {parameter.name for parameter in signature.parameters.values() if parameter.default is None}

        @functools.wraps(function)
        def call(*args: P.args, **kwargs: P.kwargs) -> R:
            given = dict(zip(places, args, strict=False)) | kwargs
            if len(given) < len(args) + len(kwargs):
                signature.bind(*args, **kwargs)  # It raises the usual TypeError; otherwise it is too slow here.
            for argument, limits in arguments.items():
                # What is not given has its default, or is missed by the function itself.
                if argument in given and not (given[argument] is None and argument in may_lack):
                    given[argument] = checked(argument, given[argument], limits)
            result = cast(Callable[..., R], function)(**given)
            _refuse_nan(name, result)
            return result

        def with_units(**quantities: Any) -> Any:
            return _result_quantities(call(**_plain_arguments(signature, quantities)), returns)  # type: ignore[call-arg]

        declaration = Declaration(name, title, formula, source, arguments, returns, function)
        CATALOGUE[name] = declaration
        declared = cast(Kernel[P, R], call)
        declared.declaration = declaration
        declared.with_units = with_units  # type: ignore[method-assign]
        return declared

    return declare


def quantity_name(argument: str) -> str:
    """`distance_m` is called `distance` on the quantity face; the unit travels with the value.

    A name such as `frames_per_s` stays whole: without its ending it would name another thing.
    """
    suffix = suffix_of(argument)
    return argument.removesuffix(f"_{suffix}") if suffix and not suffix.startswith("per_") else argument


def _plain_arguments(signature: inspect.Signature, quantities: dict[str, Any]) -> dict[str, Any]:
    names = {quantity_name(argument): argument for argument in signature.parameters}
    plain: dict[str, Any] = {}
    for name, value in quantities.items():
        argument = names.get(name)
        if argument is None:
            raise ValueError(f"there is no argument {name}; this takes {', '.join(names)}")
        plain[argument] = magnitude_in(value, argument) if isinstance(value, pint.Quantity) else value
        if not isinstance(value, pint.Quantity) and suffix_of(argument) and value is not None:
            raise ValueError(f"{name} needs a unit: give a quantity in {unit_of_name(argument)}, got {value!r}")
    return plain


def _result_quantities(result: Any, returns: str | None) -> Any:
    if isinstance(result, Measured) and returns is not None:
        # An uncertainty is a difference: on an offset scale it must not be shifted by the offset.
        return Measured(quantity_in(result.value, returns), quantity_in(result.u, difference_unit(returns)))
    if isinstance(result, tuple) and hasattr(result, "_fields"):
        fields = (
            quantity_in(value, unit_of_name(name)) if suffix_of(name) and value is not None else value
            for name, value in zip(result._fields, result, strict=True)
        )
        return type(result)(*fields)
    return result if returns is None else quantity_in(result, returns)
