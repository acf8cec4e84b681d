"""How a failure's loop closes: which states follow which, what each needs, and what moves them.

open → fix planned → watching → held, or recurred and round again. Modifications move a failure by
themselves as they are planned and ridden; that a fix has held is said by a person, and only when the
exposure since the fix shows it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q, QuerySet

from buildlog import acting
from buildlog.exposure import Exposure
from buildlog.models import Failure, FailureChange, Modification, Revision
from calc.rate_change import exposure_to_hold, rate_ratio_upper

State = Failure.State
LEGAL: dict[str, frozenset[str]] = {
    State.OPEN: frozenset({State.FIX_PLANNED, State.WATCHING}),
    State.FIX_PLANNED: frozenset({State.OPEN, State.WATCHING, State.RECURRED}),
    State.WATCHING: frozenset({State.OPEN, State.FIX_PLANNED, State.HELD, State.RECURRED}),
    State.HELD: frozenset({State.OPEN, State.FIX_PLANNED, State.WATCHING, State.RECURRED}),
    State.RECURRED: frozenset({State.FIX_PLANNED, State.WATCHING}),
}
RIDDEN = (Revision.Status.RIDING, Revision.Status.RETIRED)
RATE_FRACTION, CONFIDENCE = 0.5, 0.8
"""When nothing else is set: the failure is shown, with 80 % confidence, to come at less than half the
earlier rate (common practice, no source: half is worth a change, and 4 in 5 is what a season can show)."""


class IllegalTransition(ValidationError):
    """A state that may not follow, or whose condition is not met; the message says which."""


def same_failure(failure: Failure) -> Q:
    """The same mode, or the same cause behind another mode."""
    same = Q(mode_id=failure.mode_id)
    return same | Q(cause_id=failure.cause_id) if failure.cause_id else same


def fixes_of(failure: Failure) -> QuerySet[Modification]:
    """Modifications that answer the failure, or the one it recurs from, and have not been disproved."""
    chain = {failure.pk, failure.recurrence_of_id} - {None}
    related = Q(answers__in=chain) | Q(answers__recurrence_of=failure.pk)
    found = Modification.objects.filter(
        related, disproved_by__isnull=True, revision__number__gt=failure.revision.number
    )
    return found.select_related("revision__vehicle").order_by("-revision__number").distinct()


def expected_state(failure: Failure) -> str:
    """What the modifications and recurrences of a failure make of it."""
    statuses = [fix.revision.status for fix in fixes_of(failure)]
    if any(status in RIDDEN for status in statuses):
        return State.HELD if failure.state == State.HELD else State.WATCHING
    if statuses:
        return State.FIX_PLANNED
    return State.RECURRED if _has_recurred(failure) else State.OPEN


def _has_recurred(failure: Failure) -> bool:
    return failure.recurrences.exists() or failure.answered_by.filter(disproved_by__isnull=False).exists()


@dataclass(frozen=True)
class Proof:
    """What riding since the fix shows, and what it takes to call it held."""

    fix: Modification
    failures_before: int
    failures_after: int
    before_m: float
    after_m: float
    after_s: float
    ratio_upper: float | None
    rate_fraction: float
    confidence: float
    needed_m: float | None

    @property
    def shown(self) -> bool:
        return self.failures_after == 0 and self.ratio_upper is not None and self.ratio_upper <= self.rate_fraction

    @property
    def still_needed_m(self) -> float | None:
        return None if self.needed_m is None else max(0.0, self.needed_m - self.after_m)


def thresholds(vehicle: Any) -> tuple[float, float]:
    """The vehicle's own, or the defaults."""
    known = getattr(vehicle, "assumptions", None)
    return (known.held_rate_fraction, known.held_confidence) if known else (RATE_FRACTION, CONFIDENCE)


def prove(fix: Modification, alike: list[int], exposure: Exposure, limits: tuple[float, float]) -> Proof:
    """Compare the rate before a fix with what came since; `alike` are the revisions' numbers of the failures."""
    number = fix.revision.number
    before, after = sum(one < number for one in alike), sum(one >= number for one in alike)
    (before_m, _), (after_m, after_s) = exposure.before(number), exposure.since(number)
    fraction, confidence = limits
    ratio = needed = None
    if before and before_m > 0:
        needed = exposure_to_hold(before_m, before, fraction, confidence)
        if after_m > 0:
            ratio = rate_ratio_upper(before_m, before, after_m, after, confidence)
    return Proof(fix, before, after, before_m, after_m, after_s, ratio, fraction, confidence, needed)


def proof_of(failure: Failure) -> Proof | None:
    """The proof for one failure, or None while no fix of it is ridden."""
    fix = next((one for one in fixes_of(failure) if one.revision.status in RIDDEN), None)
    if fix is None:
        return None
    vehicle = failure.revision.vehicle
    alike = Failure.objects.filter(same_failure(failure), revision__vehicle=vehicle)
    numbers = list(alike.values_list("revision__number", flat=True))
    return prove(fix, numbers, Exposure(vehicle), thresholds(vehicle))


def _condition(failure: Failure, to: str) -> str:
    """The sentence that refuses a state, or "" where its condition is met."""
    fixes = list(fixes_of(failure))
    ridden = any(fix.revision.status in RIDDEN for fix in fixes)
    if to == State.FIX_PLANNED and (not fixes or ridden):
        return "Plan a modification that answers it, on a revision that is not ridden yet."
    if to == State.WATCHING and not ridden:
        return "No modification that answers it is ridden yet."
    if to == State.OPEN and (fixes or _has_recurred(failure)):
        return "A modification answers it, or it has recurred: it is not simply open."
    if to == State.RECURRED and (fixes or not _has_recurred(failure)):
        return "No recurrence is recorded, or a new modification answers it already."
    if to == State.HELD:
        proof = proof_of(failure)
        if proof is None or not proof.shown:
            return held_refusal(proof)
    return ""


def held_refusal(proof: Proof | None) -> str:
    if proof is None:
        return "No modification that answers it is ridden yet, so nothing has held."
    if proof.failures_after:
        return "It came again since the fix, so the fix has not held."
    if proof.needed_m is None:
        return "No distance is recorded before the fix, so there is no earlier rate to be below of."
    return (
        f"Not shown yet: {proof.still_needed_m / 1000:.0f} km more without it would show, at "
        f"{100 * proof.confidence:.0f} % confidence, less than {100 * proof.rate_fraction:.0f} % of the earlier rate."
    )


def move(failure: Failure, to: str, why: str) -> FailureChange:
    """Take a failure to another state, and keep who did it, when and why.

    Raises IllegalTransition when that state may not follow or its condition is not met.
    """
    with transaction.atomic():
        held = Failure.objects.select_for_update().select_related("revision__vehicle").get(pk=failure.pk)
        if to not in LEGAL[held.state]:
            raise IllegalTransition(
                f"“{State(to).label}” cannot follow “{State(held.state).label}”. From there it may become "
                f"{' or '.join(sorted(f'“{State(one).label}”' for one in LEGAL[held.state]))}."
            )
        refusal = _condition(held, to)
        if refusal:
            raise IllegalTransition(refusal)
        change = FailureChange.objects.create(
            failure=held, from_state=held.state, to_state=to, account=acting.account(), why=why[:500]
        )
        Failure.objects.filter(pk=held.pk).update(state=to)
    failure.state = to
    return change


def settle(failure: Failure, why: str) -> None:
    """Bring a failure to what its modifications and recurrences make of it."""
    to = expected_state(failure)
    if to != failure.state and to in LEGAL[failure.state]:
        move(failure, to, why)


def settle_chain(keys: Any, why: str) -> None:
    """Settle failures, what they recur from, and what recurred from them: one fix answers them all."""
    linked = Q(pk__in=keys) | Q(recurrences__in=keys) | Q(recurrence_of__in=keys)
    for failure in Failure.objects.filter(linked).select_related("revision__vehicle").distinct():
        settle(failure, why)


def look_for_recurrence(failure: Failure) -> None:
    """If a fix was being watched, or had held, against this very failure, then it does not hold."""
    alike = same_failure(failure) & Q(revision__vehicle_id=failure.revision.vehicle_id)
    watched = Failure.objects.filter(alike, state__in=(State.WATCHING, State.HELD)).exclude(pk=failure.pk)
    broken = []
    for first in watched.select_related("revision__vehicle").order_by("happened_at"):
        fixes = [
            fix
            for fix in fixes_of(first)
            if fix.revision.status in RIDDEN and fix.revision.number <= failure.revision.number
        ]
        if fixes and first.happened_at <= failure.happened_at:
            broken.append((first, fixes))
    if not broken:
        return
    root = broken[0][0].recurrence_of or broken[0][0]
    with transaction.atomic():
        Failure.objects.filter(pk=failure.pk).update(recurrence_of=root)
        failure.recurrence_of = root
        for first, fixes in broken:
            Modification.objects.filter(pk__in=[fix.pk for fix in fixes]).update(disproved_by=failure)
            settle(first, f"It came again with {failure.revision.label}; “{fixes[0]}” does not hold.")


def forget_recurrence(failure: Failure) -> None:
    """What was taken for a recurrence is none: its fixes are watched again."""
    touched = list(Failure.objects.filter(answered_by__disproved_by=failure).select_related("revision__vehicle"))
    Modification.objects.filter(disproved_by=failure).update(disproved_by=None)
    Failure.objects.filter(pk=failure.pk).update(recurrence_of=None)
    failure.recurrence_of = None
    for first in touched:
        settle(first, "What was taken for a recurrence was corrected or removed.")


def recheck(failure: Failure) -> None:
    """After a failure was written or changed: is it a recurrence, or no longer one?"""
    first = failure.recurrence_of
    if first is not None:
        alike = first.mode_id == failure.mode_id or (failure.cause_id and first.cause_id == failure.cause_id)
        if alike and first.revision.vehicle_id == failure.revision.vehicle_id:
            return
        forget_recurrence(failure)
    look_for_recurrence(failure)


def connect() -> None:
    """Let records move failures by themselves, whichever page or interface writes them."""
    from django.db.models.signals import m2m_changed, post_delete, post_save, pre_delete

    def failure_written(sender: Any, instance: Failure, raw: bool = False, **_: Any) -> None:
        if not raw:
            recheck(instance)

    def failure_goes(sender: Any, instance: Failure, **_: Any) -> None:
        instance.touched = list(Failure.objects.filter(answered_by__disproved_by=instance).exclude(pk=instance.pk))

    def failure_gone(sender: Any, instance: Failure, **_: Any) -> None:
        for first in Failure.objects.filter(pk__in=[one.pk for one in instance.touched]):
            settle(first, "The recurrence that was recorded was removed.")

    def answers_changed(sender: Any, instance: Any, action: str, reverse: bool, pk_set: Any, **_: Any) -> None:
        if not action.startswith("post_"):
            return
        if reverse:
            settle(instance, "The modifications that answer it were changed.")
            return
        words = "answers it" if action == "post_add" else "no longer answers it"
        settle_chain(list(pk_set or ()), f"“{instance}” on {instance.revision.label} {words}.")

    def answers_cleared(sender: Any, instance: Any, action: str, reverse: bool, **_: Any) -> None:
        if action == "pre_clear" and not reverse:
            instance.cleared = list(instance.answers.all())
        elif action == "post_clear" and not reverse:
            cleared = [one.pk for one in getattr(instance, "cleared", ())]
            settle_chain(cleared, f"“{instance}” on {instance.revision.label} no longer answers it.")

    def modification_goes(sender: Any, instance: Modification, **_: Any) -> None:
        instance.answered = list(instance.answers.all())

    def modification_gone(sender: Any, instance: Modification, **_: Any) -> None:
        settle_chain([one.pk for one in instance.answered], f"“{instance}”, which answered it, was removed.")

    def revision_written(sender: Any, instance: Revision, created: bool, raw: bool = False, **_: Any) -> None:
        if created or raw:
            return
        answered = list(Failure.objects.filter(answered_by__revision=instance).values_list("pk", flat=True))
        if answered:
            settle_chain(answered, f"{instance.label} is now: {instance.get_status_display().lower()}.")

    post_save.connect(failure_written, sender=Failure, weak=False, dispatch_uid="loop_failure")
    pre_delete.connect(failure_goes, sender=Failure, weak=False, dispatch_uid="loop_failure_goes")
    post_delete.connect(failure_gone, sender=Failure, weak=False, dispatch_uid="loop_failure_gone")
    for receiver in (answers_changed, answers_cleared):
        m2m_changed.connect(
            receiver, sender=Modification.answers.through, weak=False, dispatch_uid=f"loop_{receiver.__name__}"
        )
    pre_delete.connect(modification_goes, sender=Modification, weak=False, dispatch_uid="loop_modification_goes")
    post_delete.connect(modification_gone, sender=Modification, weak=False, dispatch_uid="loop_modification_gone")
    post_save.connect(revision_written, sender=Revision, weak=False, dispatch_uid="loop_revision")
