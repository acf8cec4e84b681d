"""The evidence of riding for a fix: which rides had it fitted, and the failures with it and without it.

Plain facts of one machine go in: its revisions with their parents and parts, its rides, its failures,
and the modifications that answer them. Everything that is said of a fix follows from these, so nothing
stored can contradict it.

A ride speaks for a fix only where the ridden revision descends from the one that carries the fix and
still has what that one changed. Where this cannot be told, the ride does not count and a failure does.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from calc.exposure_gaps import Pace, Ridden, RideLength, better_known, ridden
from calc.lineage import Fitted, Key, Lineage, RevisionFacts
from calc.rate_change import exposure_to_hold, rate_ratio_upper


class RideFacts(NamedTuple):
    """A ride: which revision, how far and how long."""

    revision: Key
    length: RideLength


@dataclass(frozen=True)
class FailureFacts:
    """A failure: its revision, mode, cause and time, and whether its ride is recorded."""

    key: Key
    revision: Key
    mode: Key
    happened_at: Any
    cause: Key | None = None
    is_logged: bool = True


@dataclass(frozen=True)
class FixFacts:
    """A modification that answers failures."""

    key: Key
    revision: Key
    title: str
    answers: frozenset[Key]


class Why(enum.Enum):
    """Why the rides of a later revision do not speak for a fix."""

    NO_DESCENT = "it does not descend from the fix's revision"
    PART_REMOVED = "what the fix's revision changed is gone"
    UNKNOWN = "only part of what the fix's revision changed is there, or it is not written down"
    LATER_FIX = "a later fix answers the same failure"


@dataclass(frozen=True)
class LeftOut:
    revision: RevisionFacts
    rides: int
    why: Why
    names: tuple[str, ...] = ()


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


@dataclass(frozen=True)
class Proof:
    """The evidence of riding since a fix, and what is needed to call it held.

    `kind` is what exposure is counted in ("trip" for metres, "runtime" for seconds). `before` and
    `after` are what was ridden without and with the fix, `in_all` all that the machine was ridden. On the
    careful side the earlier exposure is as long as is plausible and the one since as short as it can be.
    """

    fix: FixFacts
    revision: RevisionFacts
    kind: str
    before: Ridden
    after: Ridden
    in_all: Ridden
    unlogged_before: int
    failures_before: int
    failures_after: int
    failures_left_out: int
    left_out: tuple[LeftOut, ...]
    judged_by: tuple[str, ...]
    rate_fraction: float
    confidence: float
    needed: float | None
    ratio_upper: float | None

    @property
    def exposure_before(self) -> float:
        return self.before.longest(self.kind)

    @property
    def exposure_after(self) -> float:
        return self.after.shortest(self.kind)

    @property
    def shown(self) -> bool:
        return self.failures_after == 0 and self.ratio_upper is not None and self.ratio_upper <= self.rate_fraction

    @property
    def still_needed(self) -> float | None:
        """Metres or seconds to ride without it; None where there is no earlier rate to compare with."""
        return None if self.needed is None else max(0.0, self.needed - self.exposure_after)

    @property
    def is_out_of_reach(self) -> bool:
        """Whether it takes more riding than there was so far, so that it is better shown another way."""
        return self.still_needed is None or self.still_needed > self.in_all.shortest(self.kind)


def _by_time(failure: FailureFacts) -> tuple[Any, str]:
    return failure.happened_at, str(failure.key)


def _kinds_of(failure: FailureFacts) -> list[tuple[str, Key]]:
    kinds: list[tuple[str, Key]] = [("mode", failure.mode)]
    return kinds if failure.cause is None else [*kinds, ("cause", failure.cause)]


class History:
    """The facts of one machine, and what follows from them."""

    def __init__(
        self, revisions: Iterable[RevisionFacts], failures: Iterable[FailureFacts], fixes: Iterable[FixFacts],
        rides: Iterable[RideFacts] = (),
    ) -> None:  # fmt: skip
        self.lineage = Lineage(revisions)
        self.revisions = self.lineage.revisions
        self.failures = {failure.key: failure for failure in sorted(failures, key=_by_time)}
        newest_first = sorted(fixes, key=lambda fix: (-self.revisions[fix.revision].number, fix.title, str(fix.key)))
        self.fixes = {fix.key: fix for fix in newest_first}
        by_revision: dict[Key, list[RideLength]] = {}
        for ride in rides:
            by_revision.setdefault(ride.revision, []).append(ride.length)
        self._pace = Pace.of(length for lengths in by_revision.values() for length in lengths)
        self._ridden = {key: ridden(lengths, self._pace) for key, lengths in by_revision.items()}
        self._answered_by: dict[Key, dict[Key, FailureFacts]] = {}
        self._families: dict[Key, dict[Key | None, Kinds]] = {}
        self._came: dict[tuple[Key, Kinds], list[FailureFacts]] = {}
        self.first_of: dict[Key, Key] = {}
        self._find_recurrences()
        self._came_again = frozenset(self.first_of.values())

    def _number(self, record: FailureFacts | FixFacts) -> int:
        return self.revisions[record.revision].number

    def fitted(self, revision: Key, on: Key) -> Fitted:
        """Whether what one revision was made for is still there on another."""
        return self.lineage.fitted(revision, on).fitted

    # Which failures are one, and which fixes answer them

    def _find_recurrences(self) -> None:
        """Note each failure that came again although a fix was on the machine, with the first of its kind."""
        earliest: dict[Key, dict[tuple[str, Key], FailureFacts]] = {}
        for failure in sorted(self.failures.values(), key=self._number):
            firsts = []
            for fix in self.fixes.values():
                # What a fix answers is on earlier revisions, whose failures have been gone through.
                if self.fitted(fix.revision, failure.revision) is Fitted.NO:
                    continue
                if fix.key not in earliest:
                    earliest[fix.key] = self._earliest_of(fix)
                firsts += [earliest[fix.key][kind] for kind in _kinds_of(failure) if kind in earliest[fix.key]]
            if firsts:
                self.first_of[failure.key] = min(firsts, key=_by_time).key

    def _earliest_of(self, fix: FixFacts) -> dict[tuple[str, Key], FailureFacts]:
        """Of each mode and cause that a fix answers, the first failure in time."""
        firsts: dict[tuple[str, Key], FailureFacts] = {}
        for failure in self.answered_by(fix.key).values():
            first = self.failures[self._first(failure.key)]
            for kind in _kinds_of(failure):
                firsts[kind] = min(firsts.get(kind, first), first, key=_by_time)
        return firsts

    def _first(self, failure: Key) -> Key:
        return self.first_of.get(failure, failure)

    def answered_by(self, fix: Key) -> dict[Key, FailureFacts]:
        """Failures of earlier revisions that a fix answers, with the recurrences it thereby answers too."""
        known = self._answered_by.get(fix)
        if known is None:
            facts = self.fixes[fix]
            earlier = [failure for failure in self.failures.values() if self._number(failure) < self._number(facts)]
            firsts = {self._first(failure.key) for failure in earlier if failure.key in facts.answers}
            known = self._answered_by[fix] = {
                failure.key: failure for failure in earlier if self._first(failure.key) in firsts
            }
        return known

    def _kinds(self, fix: FixFacts, failure: Key | None = None) -> Kinds:
        """What a fix is to prevent: all that it answers, or what is one with a certain failure."""
        families = self._families.get(fix.key)
        if families is None:
            members: dict[Key | None, list[FailureFacts]] = {None: []}
            for answered in self.answered_by(fix.key).values():
                members[None].append(answered)
                members.setdefault(self._first(answered.key), []).append(answered)
            families = self._families[fix.key] = {first: Kinds.of(listed) for first, listed in members.items()}
        if failure is None:
            return families[None]
        own = Kinds.of([self.failures[failure]])
        family = families.get(self._first(failure), own)
        return Kinds(family.modes | own.modes, family.causes | own.causes)

    def _came_with(self, fix: FixFacts, kinds: Kinds) -> list[FailureFacts]:
        """Failures of some kinds that came with the fix fitted, or perhaps fitted, in their order."""
        known = self._came.get((fix.key, kinds))
        if known is None:
            known = self._came[fix.key, kinds] = [
                failure for failure in self.failures.values()
                if kinds.include(failure) and self.fitted(fix.revision, failure.revision) is not Fitted.NO
            ]  # fmt: skip
        return known

    def disproved_by(self, fix: Key, failure: Key | None = None) -> FailureFacts | None:
        """The first failure that shows that a fix does not hold, in all or against a certain failure."""
        facts = self.fixes[fix]
        return next(iter(self._came_with(facts, self._kinds(facts, failure))), None)

    def answers_to(self, failure: Key) -> list[FixFacts]:
        """Fixes of a failure or of what it recurs from, on later revisions, the newest first."""
        return [fix for fix in self.fixes.values() if failure in self.answered_by(fix.key)]

    def fixes_for(self, failure: Key) -> list[FixFacts]:
        """Those answers that no later failure has disproved."""
        return [fix for fix in self.answers_to(failure) if self.disproved_by(fix.key, failure) is None]

    def fixes_against(self, failure: Key) -> list[FixFacts]:
        """Later fixes of its kind that hold so far, also where they name only another failure of it."""
        facts = self.failures[failure]
        return [
            fix for fix in self.fixes.values()
            if self._number(fix) > self._number(facts)
            and self._kinds(fix).include(facts)
            and self.disproved_by(fix.key, failure) is None
        ]  # fmt: skip

    def has_recurred(self, failure: Key) -> bool:
        return failure in self._came_again or any(
            failure in fix.answers and self.disproved_by(fix.key, failure) for fix in self.fixes.values()
        )

    def watched_fix(self, failure: Key) -> FixFacts | None:
        """The fix that riding is to prove: one that is ridden now before others, then the newest."""
        built = [fix for fix in self.fixes_for(failure) if self.revisions[fix.revision].was_ridden]
        now = [revision.key for revision in self.revisions.values() if revision.rides_now]
        return min(
            built,
            key=lambda fix: not any(self.fitted(fix.revision, revision) is Fitted.YES for revision in now),
            default=None,
        )

    # What riding has shown

    def proof_for(self, failure: Key, rate_fraction: float, confidence: float) -> Proof | None:
        """The proof of the fix that is watched, or None while no fix of the failure is ridden."""
        fix = self.watched_fix(failure)
        return None if fix is None else self._prove(fix, self._kinds(fix, failure), rate_fraction, confidence)

    def proof_of_fix(self, fix: Key, rate_fraction: float, confidence: float) -> Proof:
        """The proof of one fix against everything that it answers."""
        facts = self.fixes[fix]
        return self._prove(facts, self._kinds(facts), rate_fraction, confidence)

    def _prove(self, fix: FixFacts, kinds: Kinds, rate_fraction: float, confidence: float) -> Proof:
        own = self.revisions[fix.revision]
        earlier = {key for key, revision in self.revisions.items() if revision.number < own.number}
        counted, left_out = self._rides_with(fix, kinds)
        came_before = [
            failure for failure in self.failures.values() if failure.revision in earlier and kinds.include(failure)
        ]
        came_after = self._came_with(fix, kinds)
        # A failure on no recorded ride counts as a ride of unknown length.
        unlogged = sum(not failure.is_logged or failure.revision not in self._ridden for failure in came_before)
        before = sum((self._ridden[key] for key in earlier if key in self._ridden), Ridden())
        before += ridden([RideLength(None, None)] * unlogged, self._pace)
        after = sum((self._ridden[key] for key in counted if key in self._ridden), Ridden())
        kind = better_known(before, after)
        exposure_before, exposure_after = before.longest(kind), after.shortest(kind)
        needed = ratio_upper = None
        if came_before and 0 < exposure_before < math.inf:
            needed = exposure_to_hold(exposure_before, len(came_before), rate_fraction, confidence)
            if exposure_after > 0:
                ratio_upper = rate_ratio_upper(
                    exposure_before, len(came_before), exposure_after, len(came_after), confidence
                )
        return Proof(
            fix, own, kind, before, after, sum(self._ridden.values(), Ridden()), unlogged,
            len(came_before), len(came_after), sum(failure.revision not in counted for failure in came_after), left_out,
            tuple(feature.name for feature in self.lineage.changed_by(fix.revision)),
            rate_fraction, confidence, needed, ratio_upper,
        )  # fmt: skip

    def _rides_with(self, fix: FixFacts, kinds: Kinds) -> tuple[set[Key], tuple[LeftOut, ...]]:
        """Revisions whose rides speak for a fix, and the later ones that were ridden and do not."""
        own = self.revisions[fix.revision]
        later_fixes = [
            later
            for later in self.fixes.values()
            if self._number(later) > own.number and kinds.overlap(self._kinds(later))
        ]
        counted: set[Key] = set()
        left_out = []
        for revision in sorted(self.revisions.values(), key=lambda candidate: candidate.number):
            if revision.number < own.number:
                continue
            fitted, missing = self.lineage.fitted(fix.revision, revision.key)
            if not self.lineage.descends(revision.key, fix.revision):
                why = Why.NO_DESCENT
            elif fitted is not Fitted.YES:
                why = Why.PART_REMOVED if fitted is Fitted.NO else Why.UNKNOWN
            elif any(self.fitted(later_fix.revision, revision.key) is not Fitted.NO for later_fix in later_fixes):
                why = Why.LATER_FIX
            else:
                counted.add(revision.key)
                continue
            if revision.key in self._ridden:
                left_out.append(LeftOut(revision, self._ridden[revision.key].rides, why, missing))
        return counted, tuple(left_out)
