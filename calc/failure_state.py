"""How far a failure's loop is closed: open → fix fitted → watching → held, or recurred and round again.

The state follows from facts alone: what failed on which revision, what was changed, what was ridden, what
was inspected, and what people signed. It is worked out whenever it is shown, so that nothing stored can
contradict it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from calc.failure_facts import HURTS, FailureFacts, FixFacts, Key, Kinds, Signature, VerificationFacts, VerificationKind
from calc.fix_proof import Bar, History, Proof


class State(StrEnum):
    OPEN = "open"
    FIX_FITTED = "fix_fitted"
    WATCHING = "watching"
    HELD = "held"
    RECURRED = "recurred"


URGENCY = (State.RECURRED, State.OPEN, State.FIX_FITTED, State.WATCHING, State.HELD)
"""What a mode is, if its failures differ: the first of these."""

STEPPED = frozenset({VerificationKind.CALCULATION, VerificationKind.BENCH_TEST})


@dataclass(frozen=True)
class Shown:
    """The evidence of one fix against one mode, and what it still takes.

    proof: by riding. by: how it is shown other than by riding, as far as that counts here.
    lacks: what is still needed, in the words of `VerificationKind`; empty where the evidence suffices.
    """

    proof: Proof
    severity: int
    by: frozenset[VerificationKind]
    lacks: tuple[str, ...]

    @property
    def suffices(self) -> bool:
        return not self.proof.failures_after and not self.lacks


@dataclass(frozen=True)
class Standing:
    """The state of one failure, or of one mode, with its reasons.

    fix: the one that the state is about. again: the failure that came although a fix was fitted.
    signature: a person's word; it holds where the state is held, else it is what the records no longer bear out.
    shown: the evidence of the fix that is watched.
    """

    state: State
    fix: FixFacts | None = None
    again: FailureFacts | None = None
    signature: Signature | None = None
    shown: Shown | None = None

    @property
    def may_be_held(self) -> bool:
        return self.state is State.WATCHING and self.shown is not None and self.shown.suffices

    @property
    def is_closed_without_fix(self) -> bool:
        return self.state is State.HELD and self.fix is None


LACKS_STEPPED = "a calculation or a stepped test"
LACKS_INSPECTION = "an inspection after riding with it"
LACKS_ANY = "riding, or an inspection, a stepped test or a calculation"


class Loop:
    """The states of one machine's failures.

    Parameters
    ----------
    history: the machine's revisions, failures, fixes and rides.
    bar: what the machine asks of riding; the number of its fixes makes it higher.
    verifications: evidence other than riding.
    signatures: what people signed.
    """

    def __init__(
        self, history: History, bar: Bar | None = None, verifications: Iterable[VerificationFacts] = (),
        signatures: Iterable[Signature] = (),
    ) -> None:  # fmt: skip
        self.history = history
        self._own_bar = bar or Bar()
        self._verifications: dict[Key, list[VerificationFacts]] = {}
        for verification in verifications:
            self._verifications.setdefault(verification.fix, []).append(verification)
        self._signatures: dict[tuple[Key, Key | None], Signature] = {}
        for signature in sorted(signatures, key=lambda signed: signed.signed_at):
            self._signatures[signature.mode, signature.fix] = signature
        self._signed_modes = {mode for mode, _ in self._signatures}
        self._of_mode: dict[Key, list[FailureFacts]] = {}
        for failure in history.failures.values():
            self._of_mode.setdefault(failure.mode, []).append(failure)
        self._standings: dict[tuple[Key, Key, Key | None], Standing] = {}
        self._shown: dict[tuple[Key, Kinds, int], Shown] = {}

    @cached_property
    def fixes_judged(self) -> int:
        """How many fixes riding judges together, each once for every mode that it answers."""
        return self.history.fixes_judged()

    @property
    def rests_on_riding(self) -> bool:
        """Whether riding decides if a signed fix has held: of a mode that hurts nobody, where nothing else shows it."""
        return any(
            fix in self.history.fixes and mode in self._of_mode and self.severity(mode) not in HURTS
            and fix not in self._verifications
            for mode, fix in self._signatures
            if fix is not None
        )  # fmt: skip

    @property
    def modes(self) -> dict[Key, list[FailureFacts]]:
        """The failures of each mode, in the order of time."""
        return self._of_mode

    def severity(self, mode: Key) -> int:
        """The worst that a mode has done."""
        return min(failure.severity for failure in self._of_mode[mode])

    def standing(self, failure: FailureFacts) -> Standing:
        """The state of one failure; all of one revision, mode and cause share it."""
        group = failure.revision, failure.mode, failure.cause
        known = self._standings.get(group)
        if known is None:
            known = self._standings[group] = self._work_out(failure)
        return known

    def is_held(self, failure: FailureFacts) -> bool:
        """Whether a failure is held; none is before somebody has signed its mode, so no others are worked out."""
        return failure.mode in self._signed_modes and self.standing(failure).state is State.HELD

    def mode_standing(self, mode: Key) -> Standing:
        """The state of a mode: that of its failure which is furthest from closed; the newest where they are equal."""
        standings = [self.standing(failure) for failure in reversed(self._of_mode[mode])]
        return min(standings, key=lambda standing: URGENCY.index(standing.state))

    def _work_out(self, failure: FailureFacts) -> Standing:
        kinds = self.history.kinds_of_failure(failure)
        fix = self.history.watched_fix(failure)
        if fix is not None:
            signature = self._signatures.get((failure.mode, fix.key))
            if signature is not None and self.shown(fix, failure, signature.fixes).suffices:
                shown = self.shown(fix, failure, signature.fixes)
                return Standing(State.HELD, fix, signature=signature, shown=shown)
        closed = self._signatures.get((failure.mode, None))
        if closed is not None and self._still_closed(closed):
            return Standing(State.HELD, signature=closed)
        if fix is not None:
            return Standing(State.WATCHING, fix, signature=signature, shown=self.shown(fix, failure))
        live = self.history.fixes_for(failure)
        fitted = next((fix for fix in live if self._is_fitted(fix, kinds)), None)
        if fitted is not None:
            return Standing(State.FIX_FITTED, fitted)
        for disproved in self.history.answers_to(failure):
            again = self.history.disproved_by(disproved.key, failure)
            if again is not None:
                return Standing(State.RECURRED, disproved, again)
        if closed is not None:
            return Standing(State.RECURRED, None, self._of_mode[failure.mode][-1], closed)
        return Standing(State.OPEN, live[0] if live else None)

    def _is_fitted(self, fix: FixFacts, kinds: Kinds) -> bool:
        """Whether a fix is on a revision that is built, its own or one made from it."""
        return any(self.history.revisions[key].is_built for key in self.history.rides_with(fix, kinds)[0])

    def _still_closed(self, signature: Signature) -> bool:
        """Whether nothing of the mode has come, or come to light, since it was closed without a fix."""
        came = self._of_mode[signature.mode]
        counted = sum(failure.count for failure in came)
        is_later = any(failure.happened_at > signature.signed_at for failure in came)
        return self.severity(signature.mode) not in HURTS and counted <= signature.failures and not is_later

    def prove(self, fix: FixFacts, kinds: Kinds, fixes: int | None = None) -> Proof:
        """What riding has shown of a fix against failures of some kinds, judged among so many fixes: all of today."""
        among = self.fixes_judged if fixes is None else fixes
        return self.history.prove(fix, kinds, self._own_bar.for_fixes(among, self.history.attempt(fix, kinds)))

    def proof_of_fix(self, fix: Key) -> Proof | None:
        """The proof of one fix against everything that it answers; None for a change that answers nothing."""
        facts = self.history.fixes.get(fix)
        return None if facts is None else self.prove(facts, self.history.kinds_of(fix))

    def shown(self, fix: FixFacts, failure: FailureFacts, fixes: int | None = None) -> Shown:
        """The evidence of a fix against what is one with a failure, judged among so many fixes (today's by default)."""
        among = self.fixes_judged if fixes is None else fixes
        kinds = self.history.kinds_of_failure(failure)
        known = self._shown.get((fix.key, kinds, among))
        if known is None:
            known = self._shown[fix.key, kinds, among] = self._weigh(fix, kinds, failure, among)
        return known

    def _weigh(self, fix: FixFacts, kinds: Kinds, failure: FailureFacts, fixes: int) -> Shown:
        proof = self.prove(fix, kinds, fixes)
        severity = self.severity(failure.mode)
        rides = [
            ride.day for key in self.history.rides_with(fix, kinds)[0] for ride in self.history.rides_of.get(key, ())
        ]
        first_ride = min((day for day in rides if day is not None), default=None)
        by, after_riding = set(), False
        for verification in self._verifications.get(fix.key, ()):
            by.add(verification.kind)
            is_inspection = verification.kind is VerificationKind.INSPECTION
            after_riding |= is_inspection and first_ride is not None and verification.day >= first_ride
        if severity in HURTS:
            lacks = [] if by & STEPPED else [LACKS_STEPPED]
            lacks += [] if after_riding else [LACKS_INSPECTION]
        else:
            lacks = [] if by or proof.shown else [LACKS_ANY]
        return Shown(proof, severity, frozenset(by), tuple(lacks))
