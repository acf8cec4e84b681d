"""The checks every kernel must pass, run from one good call of each."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pint
import pytest

from calc.declaration import quantity_name
from calc.units import SUFFIXES, quantity_in, suffix_of


@dataclass
class Case:
    """A kernel with one set of good arguments; `edges` are argument values at range edges that must work."""

    kernel: Any
    good: dict[str, Any]
    edges: list[dict[str, Any]] = field(default_factory=list)

    def __str__(self) -> str:
        return str(self.kernel.declaration.name)


def check_wrong_unit(case: Case) -> None:
    """Each argument with a unit refuses a quantity of another kind, by name."""
    for name, value in case.good.items():
        if not suffix_of(name):
            continue
        wrong = "volt" if SUFFIXES[suffix_of(name)] != "volt" else "meter"
        quantities = as_quantities(case.good)
        quantities[quantity_name(name)] = quantity_in(value, wrong)
        with pytest.raises(ValueError, match=name):
            case.kernel.with_units(**quantities)


def check_bad_numbers(case: Case) -> None:
    """NaN, infinity, words and values past each declared edge are refused by argument name."""
    for name, limits in case.kernel.declaration.arguments.items():
        bad: list[Any] = [math.nan, math.inf, -math.inf, "seven"]
        if math.isfinite(limits.low):
            bad.append(limits.low - 1.0 if limits.includes_low else limits.low)
        if math.isfinite(limits.high):
            bad.append(limits.high + 1.0 if limits.includes_high else limits.high)
        for value in bad:
            given = case.good.get(name)
            spoiled = value
            if np.ndim(given) and not isinstance(value, str):
                spoiled = np.array(given, dtype=float)
                spoiled[-1] = value
            with pytest.raises(ValueError, match=name):
                case.kernel(**{**case.good, name: spoiled})


def check_edges(case: Case) -> None:
    for edge in case.edges:
        result = case.kernel(**{**case.good, **edge})
        for part in result if isinstance(result, tuple) else (result,):
            if isinstance(part, (float, np.ndarray)):
                assert not np.isnan(part).any()


def as_quantities(plain: dict[str, Any]) -> dict[str, Any]:
    return {
        quantity_name(name): quantity_in(value, SUFFIXES[suffix_of(name)])
        if suffix_of(name) and value is not None
        else value
        for name, value in plain.items()
    }


def check_faces_agree(case: Case) -> None:
    """The quantity face gives the kernel's own numbers back."""
    plain = case.kernel(**case.good)
    dressed = case.kernel.with_units(**as_quantities(case.good))
    plain_parts = plain if isinstance(plain, tuple) else (plain,)
    dressed_parts = dressed if isinstance(dressed, tuple) else (dressed,)
    for number, quantity in zip(plain_parts, dressed_parts, strict=True):
        magnitude = quantity.magnitude if isinstance(quantity, pint.Quantity) else quantity
        if isinstance(number, (float, np.ndarray)):
            np.testing.assert_allclose(magnitude, number)


CHECKS = [check_wrong_unit, check_bad_numbers, check_edges, check_faces_agree]
