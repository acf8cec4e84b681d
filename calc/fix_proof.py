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
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import takewhile
from typing import Any

from calc.exposure_gaps import Pace, Ridden, RideLength, better_known, ridden
from calc.failure_facts import FailureFacts, FixFacts, Key, Kinds, RideFacts, events
from calc.lineage import Fitted, Lineage, RevisionFacts
from calc.rate_change import confidence_for_fixes, exposure_to_hold, rate_ratio_upper

HALF = 0.5
"""A fix is shown once its failure comes at less than half the earlier rate (common practice, no source)."""


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


@dataclass(frozen=True)
class Bar:
    """What riding has to show of a fix: less than a share of the earlier rate, at a confidence.

    The confidence grows with the number of fixes that are judged together, and with each attempt at the same failure.
    A machine may ask for more, never for less: then useless fixes would be called good too often.
    """

    rate_fraction: float = HALF
    confidence: float = 0.0

    def for_fixes(self, fixes: int, attempt: int = 1) -> Bar:
        """The bar where so many fixes are judged together, for the first, second, … attempt at the same failure."""
        confidence = confidence_for_fixes(max(1, fixes) * attempt)
        return Bar(min(self.rate_fraction, HALF), max(self.confidence, confidence))


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


Group = tuple[Key, Key, Key | None]
"""Revision, mode and cause: what is said of one failure holds for all that share them."""


def _group_of(failure: FailureFacts) -> Group:
    return failure.revision, failure.mode, failure.cause


def _by_time(failure: FailureFacts) -> tuple[Any, str]:
    return failure.happened_at, str(failure.key)


class History:
    """The facts of one machine, and what follows from them."""

    def __init__(
        self, revisions: Iterable[RevisionFacts], failures: Iterable[FailureFacts], fixes: Iterable[FixFacts],
        rides: Iterable[RideFacts] = (),
    ) -> None:  # fmt: skip
        self.lineage = Lineage(revisions)
        self.revisions = self.lineage.revisions
        self._by_number = sorted(self.revisions.values(), key=lambda revision: revision.number)
        self.failures = {failure.key: failure for failure in sorted(failures, key=_by_time)}
        self._place = {key: place for place, key in enumerate(self.failures)}
        newest_first = sorted(fixes, key=lambda fix: (-self.revisions[fix.revision].number, fix.title, str(fix.key)))
        self.fixes = {fix.key: fix for fix in newest_first}
        self._groups: dict[Group, list[FailureFacts]] = {}
        for failure in self.failures.values():
            self._groups.setdefault(_group_of(failure), []).append(failure)
        self._groups_of_mode: dict[Key, set[Group]] = {}
        self._groups_of_cause: dict[Key | None, set[Group]] = {}
        for group in self._groups:
            self._groups_of_mode.setdefault(group[1], set()).add(group)
            self._groups_of_cause.setdefault(group[2], set()).add(group)
        self.rides_of: dict[Key, list[RideFacts]] = {}
        for ride in rides:
            self.rides_of.setdefault(ride.revision, []).append(ride)
        self._pace = Pace.of(ride.length for listed in self.rides_of.values() for ride in listed)
        self._ridden = {
            key: ridden([ride.length for ride in listed], self._pace) for key, listed in self.rides_of.items()
        }
        self._kinds_of_failures: dict[tuple[Key, Key | None], Kinds] = {}
        self._kinds = {
            fix.key: Kinds.of(
                self.failures[key]
                for key in fix.answers
                if key in self.failures and self._is_earlier(self.failures[key], fix)
            )
            for fix in self.fixes.values()
        }
        self._numbered = [(fix, self._number(fix), self._kinds[fix.key]) for fix in self.fixes.values()]
        """Each fix, the newest first, with the number of its revision and what it is to prevent."""
        self._fixes_of: dict[Kinds, list[FixFacts]] = {}
        self._of_kinds: dict[Kinds, list[FailureFacts]] = {}
        self._before: dict[Key, tuple[set[Key], Ridden]] = {}
        self._live: dict[Group, list[FixFacts]] = {}
        self._answered: dict[Key, list[FailureFacts]] = {}
        self._earlier: dict[Group, list[FailureFacts]] = {}
        self._came: dict[tuple[Key, Kinds], list[FailureFacts]] = {}
        self._counted: dict[tuple[Key, Kinds], tuple[set[Key], tuple[LeftOut, ...]]] = {}

    @cached_property
    def _in_all(self) -> Ridden:
        return Ridden.total(self._ridden.values())

    def _in_order(self, failures: Iterable[FailureFacts]) -> list[FailureFacts]:
        return sorted(failures, key=lambda failure: self._place[failure.key])

    def _number(self, record: FailureFacts | FixFacts) -> int:
        return self.revisions[record.revision].number

    def _is_earlier(self, failure: FailureFacts, fix: FixFacts) -> bool:
        return self._number(failure) < self._number(fix)

    def fitted(self, fix: FixFacts, on: Key) -> Fitted:
        """Whether a fix is still there on a revision."""
        return self.lineage.fitted(fix.revision, on, fix.named).fitted

    def fitted_on(self, fix: FixFacts) -> Mapping[Key, Fitted]:
        """The revisions on which a fix is still there, or perhaps is."""
        return self.lineage.fitted_on(fix.revision, fix.named)

    # Which failures are one, and which fixes answer them

    def kinds_of(self, fix: Key) -> Kinds:
        """Modes and causes that a fix is to prevent: those of the failures that it names."""
        return self._kinds[fix]

    def kinds_of_failure(self, failure: FailureFacts) -> Kinds:
        """Which failures are one with this one."""
        known = self._kinds_of_failures.get((failure.mode, failure.cause))
        if known is None:
            known = self._kinds_of_failures[failure.mode, failure.cause] = Kinds.of([failure])
        return known

    def _groups_of(self, kinds: Kinds) -> set[Group]:
        of_modes = (self._groups_of_mode.get(mode, set()) for mode in kinds.modes)
        return set().union(*of_modes, *(self._groups_of_cause.get(cause, set()) for cause in kinds.causes))

    def of_kinds(self, kinds: Kinds) -> list[FailureFacts]:
        """All failures of some kinds, in their order."""
        known = self._of_kinds.get(kinds)
        if known is None:
            came = [failure for group in self._groups_of(kinds) for failure in self._groups[group]]
            known = self._of_kinds[kinds] = self._in_order(came)
        return known

    def answered_by(self, fix: Key) -> list[FailureFacts]:
        """Failures of earlier revisions that a fix answers: also those of its modes that it does not name."""
        known = self._answered.get(fix)
        if known is None:
            facts = self.fixes[fix]
            known = self._answered[fix] = [
                failure for failure in self.of_kinds(self._kinds[fix]) if self._is_earlier(failure, facts)
            ]
        return known

    def answers_to(self, failure: FailureFacts) -> list[FixFacts]:
        """Fixes of a failure on later revisions, the newest first."""
        kinds = self.kinds_of_failure(failure)
        known = self._fixes_of.get(kinds)
        if known is None:
            known = self._fixes_of[kinds] = [fix for fix, _, prevents in self._numbered if prevents.include(failure)]
        return list(takewhile(lambda fix: self._is_earlier(failure, fix), known))

    def came_with(self, fix: FixFacts, kinds: Kinds) -> list[FailureFacts]:
        """Failures of some kinds that came with the fix fitted, or perhaps fitted, in their order."""
        known = self._came.get((fix.key, kinds))
        if known is None:
            fitted_on = self.fitted_on(fix)
            came = [
                failure for group in self._groups_of(kinds) if group[0] in fitted_on for failure in self._groups[group]
            ]
            known = self._came[fix.key, kinds] = self._in_order(came)
        return known

    def disproved_by(self, fix: Key, failure: FailureFacts | None = None) -> FailureFacts | None:
        """The first failure that shows that a fix does not hold, in all or against a certain failure."""
        kinds = self._kinds[fix] if failure is None else self.kinds_of_failure(failure)
        return next(iter(self.came_with(self.fixes[fix], kinds)), None)

    def fixes_for(self, failure: FailureFacts) -> list[FixFacts]:
        """Those answers that no later failure has disproved, the newest first."""
        group = _group_of(failure)
        known = self._live.get(group)
        if known is None:
            known = self._live[group] = [
                fix for fix in self.answers_to(failure) if self.disproved_by(fix.key, failure) is None
            ]
        return known

    def earlier_of_kind(self, failure: FailureFacts) -> list[FailureFacts]:
        """If a failure came although fixes of its kind were on the machine, the failures that those answer."""
        group = _group_of(failure)
        known = self._earlier.get(group)
        if known is None:
            kinds = self.kinds_of_failure(failure)
            known = self._earlier[group] = [
                earlier
                for fix, _, prevents in self._numbered
                if prevents.include(failure) and self.fitted(fix, failure.revision) is not Fitted.NO
                for earlier in self.answered_by(fix.key)
                if kinds.include(earlier)
            ]
        return known

    def recurs_from(self, failure: FailureFacts) -> FailureFacts | None:
        """The first failure of its kind, if this one came although a fix of it was on the machine."""
        return min(self.earlier_of_kind(failure), key=_by_time, default=None)

    # Which rides speak for a fix

    def rides_with(self, fix: FixFacts, kinds: Kinds) -> tuple[set[Key], tuple[LeftOut, ...]]:
        """Revisions whose rides speak for a fix, and the later ones that were ridden and do not."""
        known = self._counted.get((fix.key, kinds))
        if known is None:
            known = self._counted[fix.key, kinds] = self._find_rides_with(fix, kinds)
        return known

    def _find_rides_with(self, fix: FixFacts, kinds: Kinds) -> tuple[set[Key], tuple[LeftOut, ...]]:
        own = self.revisions[fix.revision]
        later_fixes = [
            later for later, number, prevents in self._numbered if number > own.number and kinds.overlap(prevents)
        ]
        has_later: set[Key] = set()
        for later in {(fix.revision, fix.named) for fix in later_fixes}:
            has_later.update(self.lineage.fitted_on(*later))
        has_fix = {key for key, state in self.fitted_on(fix).items() if state is Fitted.YES}
        counted = has_fix - has_later
        left_out = []
        for revision in self._by_number:
            if revision.number < own.number or revision.key in counted or revision.key not in self._ridden:
                continue
            fitted, missing = self.lineage.fitted(fix.revision, revision.key, fix.named)
            if not self.lineage.descends(revision.key, fix.revision):
                why = Why.NO_DESCENT
            elif fitted is not Fitted.YES:
                why = Why.PART_REMOVED if fitted is Fitted.NO else Why.UNKNOWN
            else:
                why = Why.LATER_FIX
            left_out.append(LeftOut(revision, self._ridden[revision.key].rides, why, missing))
        return counted, tuple(left_out)

    def is_ridden(self, fix: FixFacts, kinds: Kinds) -> bool:
        """Whether any ride with a fix is recorded that speaks for it."""
        return any(self.revisions[key].was_ridden for key in self.rides_with(fix, kinds)[0])

    def watched_fix(self, failure: FailureFacts) -> FixFacts | None:
        """The fix that riding is to prove: one that is ridden now before others, then the newest."""
        kinds = self.kinds_of_failure(failure)
        built = [fix for fix in self.fixes_for(failure) if self.is_ridden(fix, kinds)]
        now = [revision.key for revision in self.revisions.values() if revision.rides_now]
        return min(
            built,
            key=lambda fix: not any(self.fitted(fix, revision) is Fitted.YES for revision in now),
            default=None,
        )

    def fixes_judged(self) -> int:
        """How many fixes have been ridden, each once for every mode that it answers: what a page judges together."""
        return sum(
            self.is_ridden(fix, Kinds(frozenset({mode}), frozenset()))
            for fix in self.fixes.values()
            for mode in self._kinds[fix.key].modes
        )

    def attempt(self, fix: FixFacts, kinds: Kinds) -> int:
        """Which attempt at failures of some kinds a fix is: 1, and one more for each earlier fix that was ridden.

        A mode that is fixed again and again is judged again and again, each time before the next fix counts.
        """
        own = self._number(fix)
        return 1 + sum(
            number < own and kinds.overlap(prevents) and self.is_ridden(other, kinds)
            for other, number, prevents in self._numbered
        )

    # What riding has shown

    def _ridden_before(self, own: RevisionFacts) -> tuple[set[Key], Ridden]:
        """The revisions before one, and what was ridden with them."""
        known = self._before.get(own.key)
        if known is None:
            earlier = {key for key, revision in self.revisions.items() if revision.number < own.number}
            rode = Ridden.total(self._ridden[key] for key in earlier if key in self._ridden)
            known = self._before[own.key] = earlier, rode
        return known

    def prove(self, fix: FixFacts, kinds: Kinds, bar: Bar) -> Proof:
        """What riding has shown of a fix against failures of some kinds; `bar` is used as it is."""
        own = self.revisions[fix.revision]
        earlier, before = self._ridden_before(own)
        counted, left_out = self.rides_with(fix, kinds)
        came_before = [failure for failure in self.of_kinds(kinds) if failure.revision in earlier]
        came_after = self.came_with(fix, kinds)
        # A failure on no recorded ride counts as a ride of unknown length.
        unlogged = sum(not failure.is_logged or failure.revision not in self._ridden for failure in came_before)
        before += ridden([RideLength(None, None)] * unlogged, self._pace)
        after = Ridden.total(self._ridden[key] for key in counted if key in self._ridden)
        kind = better_known(before, after)
        exposure_before, exposure_after = before.longest(kind), after.shortest(kind)
        count_before, count_after = events(came_before), events(came_after)
        needed = ratio_upper = None
        if count_before and 0 < exposure_before < math.inf:
            needed = exposure_to_hold(exposure_before, count_before, bar.rate_fraction, bar.confidence)
            if exposure_after > 0:
                ratio_upper = rate_ratio_upper(
                    exposure_before, count_before, exposure_after, count_after, bar.confidence
                )
        return Proof(
            fix, own, kind, before, after, self._in_all, unlogged, count_before, count_after,
            events(failure for failure in came_after if failure.revision not in counted), left_out,
            tuple(feature.name for feature in self.lineage.changed_by(fix.revision, fix.named)),
            bar.rate_fraction, bar.confidence, needed, ratio_upper,
        )  # fmt: skip
