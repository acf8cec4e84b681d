"""The facts of one machine from which everything is worked out that is said of its failures and fixes."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from calc.exposure_gaps import RideLength

Key = Hashable
CATASTROPHIC, CRITICAL, MARGINAL, MINOR = 1, 2, 3, 4
"""Severity categories I to IV of MIL-STD-1629A."""
HURTS = (CATASTROPHIC, CRITICAL)


class RideFacts(NamedTuple):
    """A ride: which revision, how far and how long, and on which day it began (None where that plays no part)."""

    revision: Key
    length: RideLength
    day: Any = None


@dataclass(frozen=True)
class FailureFacts:
    """A failure: its revision, mode, cause, time and severity, and whether its ride is recorded.

    outing: the session, or the day, in which it came. count: how many failures this row stands for.
    """

    key: Key
    revision: Key
    mode: Key
    happened_at: Any
    cause: Key | None = None
    is_logged: bool = True
    severity: int = MINOR
    outing: Key | None = None
    count: int = 1


@dataclass(frozen=True)
class FixFacts:
    """A modification that answers failures, each by its key.

    named: the parts and dimensions that it changed, by their keys, where somebody named them.
    """

    key: Key
    revision: Key
    title: str
    answers: frozenset[Key]
    named: frozenset[Key] = frozenset()


class VerificationKind(StrEnum):
    """How a fix is shown other than by riding."""

    INSPECTION = "inspection"
    BENCH_TEST = "bench_test"
    CALCULATION = "calculation"


class VerificationFacts(NamedTuple):
    """Evidence of a fix other than riding, and the day of it."""

    fix: Key
    kind: VerificationKind
    day: Any


class Signature(NamedTuple):
    """A person's word on a mode: that a fix has held, or (without a fix) that none will be made.

    failures: how many of the mode were on record then. fixes: among how many fixes it was judged.
    """

    mode: Key
    fix: Key | None
    failures: int
    fixes: int
    signed_at: Any
    by: str = ""
    why: str = ""


class Kinds(NamedTuple):
    """Which failures are one and the same: those of these modes, or with these causes behind another mode."""

    modes: frozenset[Key]
    causes: frozenset[Key]

    @classmethod
    def of(cls, failures: Iterable[FailureFacts]) -> Kinds:
        listed = list(failures)
        causes = frozenset(failure.cause for failure in listed if failure.cause is not None)
        return cls(frozenset(failure.mode for failure in listed), causes)

    def include(self, failure: FailureFacts) -> bool:
        return failure.mode in self.modes or (failure.cause is not None and failure.cause in self.causes)

    def overlap(self, other: Kinds) -> bool:
        return bool(self.modes & other.modes or self.causes & other.causes)


def events(failures: Iterable[FailureFacts]) -> int:
    """How many failures count: several of one cause in one outing are one.

    Examples
    --------
    >>> bolts = [FailureFacts(key, "R1", "bolt", 0, cause="flex", outing="morning") for key in "ab"]
    >>> events([*bolts, FailureFacts("c", "R1", "bolt", 0, outing="morning")])
    2
    """
    single, shared = 0, set()
    for failure in failures:
        if failure.cause is None or failure.outing is None:
            single += failure.count
        else:
            shared.add((failure.cause, failure.outing))
    return single + len(shared)
