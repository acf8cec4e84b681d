"""The working of many sessions at once, and one session's results read out of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from calc.alarms import Alarm
from calc.budget import Budget
from calc.declaration import Measured
from calc.results import RESULTS, Result
from calc.session_table import SessionTable

Text = str | Callable[[int], str]
"""A sentence, or how to say it for one session's row."""


def _text(text: Text, row: int) -> str:
    return text if isinstance(text, str) else text(row)


@dataclass(frozen=True)
class Column:
    """One result for every session; NaN where it cannot be calculated, with what is missing."""

    key: str
    kernel: Text
    value: Any
    u: Any | None
    needs: dict[Any, Any]
    method: Text
    evidence: Text
    improve: Text
    caution: Text
    applies: Any | None
    alarm: Callable[[int], Alarm | None] | None
    against: tuple[Any, Any] | None
    """Of a margin: the limit, and how far it was approached."""

    def result(self, row: int) -> Result | None:
        if np.isnan(self.value[row]):
            return None
        u = None if self.u is None or np.isnan(self.u[row]) else float(self.u[row])
        limit, reached = (float(side[row]) for side in self.against) if self.against else (None, None)
        return Result(
            self.key,
            float(self.value[row]),
            u,
            method=_text(self.method, row),
            kernel=_text(self.kernel, row),
            evidence=_text(self.evidence, row),
            improve=_text(self.improve, row),
            own_caution=_text(self.caution, row),
            alarm=self.alarm(row) if self.alarm else None,
            limit=limit,
            reached=reached,
        )

    def missing(self, row: int) -> Result | None:
        if not np.isnan(self.value[row]) or (self.applies is not None and not self.applies[row]):
            return None
        needs = tuple(_text(words, row) for words, is_known in self.needs.items() if not is_known[row])
        return Result(self.key, None, needs=needs)


class Sheet:
    """The columns worked out so far."""

    def __init__(self, table: SessionTable) -> None:
        self.table = table
        self.columns: dict[str, Column] = {}
        self.budgets: dict[str, Budget] = {}

    def nothing(self) -> Any:
        return np.full(self.table.count, np.nan)

    def solve(self, kernel: Any, where: Any, *arguments: Any, **options: Any) -> Any:
        """A kernel's answer for the sessions `where` holds, NaN for the others.

        The kernel is called once, on arrays; its own checks of range and unit apply.
        """
        rows = np.flatnonzero(where)
        if not rows.size:
            return self.nothing()
        answer = kernel(*(argument[rows] for argument in arguments), **options)
        parts = answer if isinstance(answer, tuple) else (answer,)
        spread = []
        for part in parts:
            column = self.nothing()
            column[rows] = part
            spread.append(column)
        return Measured(*spread) if isinstance(answer, Measured) else spread[0] if len(spread) == 1 else spread

    def add(
        self,
        key: str,
        kernel: Text,
        measured: Any,
        needs: dict[Any, Any],
        method: Text,
        *,
        evidence: Text = "",
        improve: Text = "",
        caution: Text = "",
        applies: Any | None = None,
        alarm: Callable[[int], Alarm | None] | None = None,
        against: tuple[Any, Any] | None = None,
    ) -> Any:
        """Store a column of a result that `calc.results` declares. Returns the value.

        `needs` says in plain words, a Text, what gives the value where its mask is not set. `measured` is the
        value alone or Measured; its u may be a Budget, which what comes after can build on. A margin says `against`
        what it is counted: the limit, and how far it was approached.
        """
        if key not in RESULTS:
            raise ValueError(f"{key} is not among the declared results of calc.results")
        value, u = measured if isinstance(measured, Measured) else (measured, None)
        if isinstance(u, Budget):
            self.budgets[key] = u
            u = u.u
        self.columns[key] = Column(
            key, kernel, value, u, needs, method, evidence, improve, caution, applies, alarm, against
        )
        return value

    def value(self, key: str) -> Any:
        return self.columns[key].value


class SessionReport:
    """One session's results in the order in which a rider asks for them, and what the others need."""

    def __init__(self, columns: dict[str, Column], row: int) -> None:
        self._columns, self._row = columns, row

    in_doubt: tuple[str, ...] = ()
    """Nothing of it is known to be in doubt; `calc.doubts.careful_results` says so where something is."""

    def get(self, key: str) -> Result | None:
        column = self._columns.get(key)
        return None if column is None else column.result(self._row)

    @property
    def results(self) -> tuple[Result, ...]:
        results = (column.result(self._row) for column in self._columns.values())
        return tuple(result for result in results if result is not None)

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """Every limit that was passed or nearly reached."""
        return tuple(result.alarm for result in self.results if result.alarm is not None)

    @property
    def missing(self) -> tuple[Result, ...]:
        needs = (column.missing(self._row) for column in self._columns.values())
        return tuple(missing for missing in needs if missing is not None)


class SessionReports:
    """The reports of many sessions, in their order; `values(key)` is one result of all of them."""

    def __init__(self, sheet: Sheet) -> None:
        self._sheet = sheet

    def __len__(self) -> int:
        return self._sheet.table.count

    def __getitem__(self, row: int) -> SessionReport:
        if not 0 <= row < len(self):
            raise IndexError(f"there are {len(self)} sessions, and no row {row}")
        return SessionReport(self._sheet.columns, row)

    def __iter__(self) -> Iterator[SessionReport]:
        return (self[row] for row in range(len(self)))

    def values(self, key: str) -> Any:
        """One result of every session, NaN where it could not be worked out."""
        return self._sheet.value(key)

    def measured(self, key: str) -> Measured:
        """The same with its standard uncertainty; None where the result has none."""
        column = self._sheet.columns[key]
        return Measured(column.value, column.u)
