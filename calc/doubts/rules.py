"""What a rule is: two numbers that have to fit, the sentence that says that they do not, and the facts in question."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np

from calc.doubts.columns import Array, Columns
from calc.doubts.slips import SLIPS, Slip

COMMON = "common practice, no source"
Compute = Callable[[Columns], Array]


class Breach(StrEnum):
    """How a fact that breaks a rule is to be taken."""

    IMPOSSIBLE = "impossible"
    UNLIKELY = "unlikely"


IMPOSSIBLE, UNLIKELY = Breach.IMPOSSIBLE, Breach.UNLIKELY


@dataclass(frozen=True)
class Fact:
    """A stored value that a rule may put in doubt, or one that it is only compared with.

    `name` is the stored column; `label` stands in sentences and buttons. A fact without slips is set right by hand.
    No slip is offered whose value is below 0 where a fact is not `signed`.
    """

    name: str
    label: str
    kind: str
    more_slips: tuple[str, ...] = ()
    without_slips: bool = False
    signed: bool = False

    @property
    def slips(self) -> tuple[Slip, ...]:
        if self.without_slips:
            return ()
        return (*SLIPS.get(self.kind, ()), *(SLIPS[name][0] for name in self.more_slips))


@dataclass(frozen=True)
class Rule:
    """A value that has to lie between two bounds.

    Attributes
    ----------
    key: as confirmations store it; must not be renamed.
    compared: what is compared, in words, for the page of methods.
    formula, source: as in `calc.declaration.kernel`.
    facts: names of the stored values that a breach puts in doubt, the likeliest first.
    kind: kind of the compared value (`calc.quantities`), for the sentence.
    value: the compared value; `low` and `high` bound it. A NaN in any of them is no breach.
    below, above: the sentence. In braces: value, low, high, or the name of any fact.
    """

    key: str
    compared: str
    formula: str
    breach: Breach
    facts: tuple[str, ...]
    kind: str
    value: Compute
    low: Compute | float | None = None
    high: Compute | float | None = None
    below: str = ""
    above: str = ""
    source: str = COMMON

    def bounds(self, columns: Columns) -> tuple[Array, Array, Array]:
        """The compared value and its two bounds, for each row."""
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            value = self.value(columns)
            low, high = (_bound(bound, columns) for bound in (self.low, self.high))
        return value, low, high

    def breached(self, columns: Columns) -> Any:
        """For each row, whether the rule is broken."""
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            value = self.value(columns)
            below = None if self.low is None else value < (self.low(columns) if callable(self.low) else self.low)
            above = None if self.high is None else value > (self.high(columns) if callable(self.high) else self.high)
        if below is None or above is None:
            return above if below is None else below
        return below | above


def _bound(bound: Compute | float | None, columns: Columns) -> Array:
    if callable(bound):
        return bound(columns)
    return np.broadcast_to(np.float64(np.nan if bound is None else bound), columns.count)


@dataclass(frozen=True)
class Subject:
    """A kind of record, the facts of it, what they are compared with, and the rules."""

    name: str
    facts: tuple[Fact, ...]
    context: tuple[Fact, ...]
    rules: tuple[Rule, ...]
    by_name: dict[str, Fact] = field(init=False)

    def __post_init__(self) -> None:
        facts = {fact.name: fact for fact in (*self.facts, *self.context)}
        object.__setattr__(self, "by_name", facts)
        for rule in self.rules:
            strange = [name for name in rule.facts if name not in facts]
            if strange:
                raise ValueError(f"{rule.key} puts {strange[0]} in doubt, which is no fact of a {self.name}.")

    def columns(self, known: Any) -> Columns:
        """Columns of this subject's facts, as `Columns` takes them."""
        return Columns(self.by_name.keys(), known)

    def rule(self, key: str) -> Rule | None:
        return next((rule for rule in self.rules if rule.key == key), None)
