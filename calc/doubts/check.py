"""Evaluates a table of rules on columns: which rows break which rule, in words, and which slip would explain it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from calc.doubts.columns import Columns
from calc.doubts.rules import Breach, Fact, Rule, Subject
from calc.doubts.slips import Slip
from calc.quantities import written


@dataclass(frozen=True)
class Mend:
    """A value that a fact would have if a known slip was made; it breaks no rule."""

    fact: Fact
    slip: Slip
    value: float

    def words(self, system: str = "metric") -> str:
        """As a button says it: "Runtime 35 min: it was in minutes, not seconds"."""
        label = self.fact.label[:1].upper() + self.fact.label[1:]
        return f"{label} {_text(self.value, self.fact.kind, system)}: {self.slip.words}"


@dataclass(frozen=True)
class Doubt:
    """One broken rule of one record. `values` are the stored facts in question, as they were when it was asked."""

    rule: Rule
    sentence: str
    values: dict[str, float]
    mends: tuple[Mend, ...]

    @property
    def key(self) -> str:
        return self.rule.key

    @property
    def is_impossible(self) -> bool:
        return self.rule.breach is Breach.IMPOSSIBLE


@dataclass(frozen=True)
class Checked:
    """The rules of one subject on many rows. `breached` has a row for each rule and a column for each record."""

    subject: Subject
    columns: Columns
    breached: Any

    @property
    def any_breach(self) -> Any:
        """For each record, whether it breaks any rule."""
        return self.breached.any(axis=0)

    def rules_of(self, row: int) -> list[Rule]:
        """The rules that a record breaks."""
        return [self.subject.rules[index] for index in np.flatnonzero(self.breached[:, row])]

    def values(self, rule: Rule, row: int) -> dict[str, float]:
        """The stored facts that a rule puts in doubt, where they are known."""
        stored = {name: float(getattr(self.columns, name)[row]) for name in rule.facts}
        return {name: value for name, value in stored.items() if not np.isnan(value)}

    def doubts(self, row: int, system: str = "metric") -> list[Doubt]:
        """What a record's facts are doubted for, in words, each with the slips that would explain it."""
        return [
            Doubt(rule, self.sentence(rule, row, system), self.values(rule, row), tuple(self._mends(rule, row)))
            for rule in self.rules_of(row)
        ]

    def sentence(self, rule: Rule, row: int, system: str = "metric") -> str:
        """A broken rule in plain English, with the numbers of the record."""
        columns = self.columns.row(row)
        value, low, high = (float(array[0]) for array in rule.bounds(columns))
        words = _Words(self.subject, columns, system)
        words.update(
            value=_text(value, rule.kind, system),
            low=_text(low, rule.kind, system),
            high=_text(high, rule.kind, system),
        )
        return (rule.below if value < low else rule.above).format_map(words)

    def _mends(self, rule: Rule, row: int) -> Iterator[Mend]:
        before = self.breached[:, row]
        for name in rule.facts:
            fact = self.subject.by_name[name]
            slips = fact.slips
            stored = getattr(self.columns, name)[row]
            if not slips or np.isnan(stored):
                continue
            repeated = self.columns.row(row, len(slips))
            meant = np.array([float(slip.meant(np.array([stored]), self.columns.row(row))[0]) for slip in slips])
            after = _breached(self.subject, repeated.replaced({name: meant}))
            looks = np.array([name in other.facts for other in self.subject.rules])
            # A slip explains it where the value then breaks no rule on this fact, and no other for the first time.
            passes = ~(after & (looks | ~before)[:, np.newaxis]).any(axis=0) & np.isfinite(meant)
            if not fact.signed:
                passes &= meant > 0
            given: list[float] = []
            for slip, value in zip(np.array(slips, dtype=object)[passes], meant[passes], strict=True):
                if not np.isclose(value, given, rtol=1e-9, atol=0.0).any():
                    given.append(value)
                    yield Mend(fact, slip, float(f"{value:.12g}"))


class _Words(dict[str, str]):
    """The facts of one record as sentences write them."""

    def __init__(self, subject: Subject, columns: Columns, system: str) -> None:
        super().__init__()
        self._subject, self._columns, self._system = subject, columns, system

    def __missing__(self, name: str) -> str:
        value = float(getattr(self._columns, name)[0])
        return _text(value, self._subject.by_name[name].kind, self._system)


def _text(value: float, kind: str, system: str) -> str:
    if not np.isfinite(value):
        return "an unknown value"
    if kind == "count":
        return f"{value:.3g}" if abs(value) < 1000 else f"{value:,.0f}"
    if kind == "hours":
        hours = abs(value)
        return f"{hours:.3g} h" if hours < 48 else f"{hours / 24:,.0f} days"
    if kind == "days":
        return f"{abs(value):.0f} day{'' if round(abs(value)) == 1 else 's'}"
    if kind == "share":
        return f"{100.0 * value:.3g} %"
    return written(value, kind, system, digits=3)


def _breached(subject: Subject, columns: Columns) -> Any:
    return np.array([rule.breached(columns) for rule in subject.rules]).reshape(len(subject.rules), columns.count)


def check(subject: Subject, known: Mapping[str, Any]) -> Checked:
    """Evaluate the rules of a subject.

    Parameters
    ----------
    known: facts by name, floats, None or arrays of one length; NaN and None are unknown, and raise no doubt.

    Returns
    -------
    Checked, with as many rows as the arrays have.

    Raises
    ------
    ValueError: a name is no fact of the subject, or lengths differ.

    Examples
    --------
    >>> from calc.doubts.session_rules import SESSION
    >>> checked = check(SESSION, {"runtime_s": [35.0, 2100.0], "distance_m": 7400.0, "best_pass_mps": 14.2})
    >>> checked.any_breach.tolist()
    [True, False]
    >>> checked.doubts(0)[0].mends[0].words()
    'Runtime 35 min: it was in minutes, not seconds; or hours and minutes'
    """
    columns = subject.columns(known)
    return Checked(subject, columns, _breached(subject, columns))
