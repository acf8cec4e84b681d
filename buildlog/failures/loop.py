"""How a failure's loop closes: which states follow which, what each needs, and what moves them.

open → fix planned → watching → held, or recurred and round again. Modifications move a failure by
themselves as they are planned and ridden; that a fix has held is said by a person, and only when the
exposure since the fix shows it. Which fix answers which failure, and what disproves it, is
`calc.fix_proof`'s to say; here stands what is written down of it, and when.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Model, Q, QuerySet

from buildlog.failures.exposure import Exposure
from buildlog.failures.fix_history import history_of
from buildlog.failures.models import Failure, FailureChange, Modification
from buildlog.machines.models import Fitting, Revision, Vehicle
from buildlog.people import current_account
from calc.fix_proof import History, Proof
from calc.lineage import Key
from calc.proof_sentences import refusal

State = Failure.State
LEGAL: dict[str, frozenset[str]] = {
    State.OPEN: frozenset({State.FIX_PLANNED, State.WATCHING}),
    State.FIX_PLANNED: frozenset({State.OPEN, State.WATCHING, State.RECURRED}),
    State.WATCHING: frozenset({State.OPEN, State.FIX_PLANNED, State.HELD, State.RECURRED}),
    State.HELD: frozenset({State.OPEN, State.FIX_PLANNED, State.WATCHING, State.RECURRED}),
    State.RECURRED: frozenset({State.FIX_PLANNED, State.WATCHING}),
}
RATE_FRACTION, CONFIDENCE = 0.5, 0.8
"""When nothing else is set: the failure is shown, with 80 % confidence, to come at less than half the
earlier rate (common practice, no source: half is worth a change, and 4 in 5 is what a season can show)."""


LOOKED_THROUGH = "What is recorded of its fixes and recurrences has changed."


class IllegalTransition(ValidationError):
    """A state that may not follow, or whose condition is not met; the message says which."""


def thresholds(vehicle: Any) -> tuple[float, float]:
    """The vehicle's own, or the defaults."""
    known = getattr(vehicle, "assumptions", None)
    return (known.held_rate_fraction, known.held_confidence) if known else (RATE_FRACTION, CONFIDENCE)


def whole_history(vehicle: Vehicle) -> History:
    """The history with its rides, which a proof needs."""
    return history_of(vehicle.pk, Exposure(vehicle).rides)


def proof_of(failure: Failure) -> Proof | None:
    """The proof for one failure, or None while no fix of it is ridden."""
    vehicle = failure.revision.vehicle
    return whole_history(vehicle).proof_for(failure.pk, *thresholds(vehicle))


def expected_state(failure: uuid.UUID, state: str, history: History) -> str:
    """What the modifications and recurrences of a failure make of it, now that it is in some state."""
    fixes = history.fixes_for(failure)
    if any(history.revisions[fix.revision].was_ridden for fix in fixes):
        return State.HELD if state == State.HELD else State.WATCHING
    if fixes:
        return State.FIX_PLANNED
    return State.RECURRED if history.has_recurred(failure) else State.OPEN


def _condition(failure: Failure, to: str) -> str:
    """The sentence that refuses a state, or "" where its condition is met."""
    if to == State.HELD:
        proof = proof_of(failure)
        return "" if proof is not None and proof.shown else refusal(proof)
    history = history_of(failure.revision.vehicle_id)
    fixes, recurred = history.fixes_for(failure.pk), history.has_recurred(failure.pk)
    ridden = any(history.revisions[fix.revision].was_ridden for fix in fixes)
    if to == State.FIX_PLANNED and (not fixes or ridden):
        return "Plan a modification that answers it, on a revision that is not ridden yet."
    if to == State.WATCHING and not ridden:
        return "No modification that answers it is ridden yet."
    if to == State.OPEN and (fixes or recurred):
        return "A modification answers it, or it has recurred: it is not simply open."
    if to == State.RECURRED and (fixes or not recurred):
        return "No recurrence is recorded, or a new modification answers it already."
    return ""


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
        sentence = _condition(held, to)
        if sentence:
            raise IllegalTransition(sentence)
        change = _step(held.pk, held.state, to, why)
    failure.state = to
    return change


def _step(failure: uuid.UUID, state: str, to: str, why: str) -> FailureChange:
    change = FailureChange.objects.create(
        failure_id=failure, from_state=state, to_state=to, account=current_account.account(), why=why[:500]
    )
    Failure.objects.filter(pk=failure).update(state=to)
    return change


Links = Mapping[Key, Key]
"""Failures that came again, each with the first of its kind."""


def follow(vehicle: uuid.UUID, why: str = "", about: Collection[uuid.UUID] | QuerySet[Any, uuid.UUID] = ()) -> Links:
    """Write down what follows from a vehicle's records: recurrences, fixes that do not hold, and states.

    `why` is the reason that is kept with the steps of the failures in `about`, and of those that one fix
    answers together with them.
    """
    rows = Failure.objects.filter(revision__vehicle=vehicle).values_list("pk", "recurrence_of", "state")
    stored = {key: (first, state) for key, first, state in rows}
    disproved: dict[uuid.UUID, uuid.UUID | None] = dict(
        Modification.objects.filter(revision__vehicle=vehicle)
        .filter(Q(answers__isnull=False) | Q(disproved_by__isnull=False))
        .values_list("pk", "disproved_by")
    )
    if not disproved and all(first is None and state == State.OPEN for first, state in stored.values()):
        return {}
    history = history_of(vehicle)
    linked: Links = {key: first for key, (first, _) in stored.items() if first is not None}
    reasons: dict[Key, str] = dict.fromkeys(
        _family(about, linked, stored) | _family(about, history.first_of, stored), why
    )
    with transaction.atomic():
        reasons |= _write_disproofs(history, disproved)
        for key, (first, _) in stored.items():
            if history.first_of.get(key) != first:
                Failure.objects.filter(pk=key).update(recurrence_of=history.first_of.get(key))
        for key, (_, state) in stored.items():
            if expected_state(key, state, history) != state:
                _settle(key, history, reasons.get(key) or LOOKED_THROUGH)
    return history.first_of


def _settle(failure: uuid.UUID, history: History, why: str) -> None:
    """Bring a failure to what its modifications and recurrences make of it, whoever else is at it."""
    state = Failure.objects.select_for_update().values_list("state", flat=True).filter(pk=failure).first()
    if state is not None:
        to = expected_state(failure, state, history)
        if to != state and to in LEGAL[state]:
            _step(failure, state, to, why)


def _family(about: Iterable[uuid.UUID], first_of: Links, everything: Iterable[uuid.UUID]) -> set[uuid.UUID]:
    firsts = {first_of.get(key, key) for key in about}
    return {key for key in everything if first_of.get(key, key) in firsts}


def _write_disproofs(history: History, stored: Mapping[uuid.UUID, uuid.UUID | None]) -> dict[Key, str]:
    """Mark fixes that do not hold, and those that were marked and do; returns reasons for what they answer."""
    reasons: dict[Key, str] = {}
    for key, before in stored.items():
        fix = history.fixes.get(key)
        failure = history.disproved_by(key) if fix else None
        now = failure.key if failure else None
        if now == before:
            continue
        Modification.objects.filter(pk=key).update(disproved_by=now)
        why = "What was taken for a recurrence was corrected or removed."
        if failure is not None and fix is not None:
            label = history.revisions[failure.revision].label
            why = f"It came again with {label}; “{fix.title}” does not hold."
        reasons |= dict.fromkeys(history.answered_by(key) if fix else (), why)
    return reasons


def connect() -> None:
    """Let records move failures by themselves, whichever page or interface writes them."""
    from django.db.models.signals import m2m_changed, post_delete, post_save, pre_delete

    def failure_written(sender: Any, instance: Failure, raw: bool = False, **_: Any) -> None:
        if raw:
            return
        vehicle = instance.revision.vehicle_id
        # It may have been moved here from another machine, whose fixes it then says nothing of.
        elsewhere = Modification.objects.filter(disproved_by=instance).exclude(revision__vehicle=vehicle)
        for other in set(elsewhere.values_list("revision__vehicle", flat=True)):
            follow(other)
        first: Any = follow(vehicle).get(instance.pk)
        instance.recurrence_of_id = first

    def failure_goes(sender: Any, instance: Any, **_: Any) -> None:
        instance.touched = list(instance.disproves.values_list("answers", flat=True))

    def failure_gone(sender: Any, instance: Any, origin: Any = None, **_: Any) -> None:
        if _by_itself(origin, Failure):
            follow(instance.revision.vehicle_id, "The recurrence that was recorded was removed.", instance.touched)

    def answers_changed(sender: Any, instance: Any, action: str, reverse: bool, pk_set: Any, **_: Any) -> None:
        if not action.startswith("post_"):
            return
        vehicle = instance.revision.vehicle_id
        if reverse:
            follow(vehicle, "The modifications that answer it were changed.", [instance.pk])
            return
        if action == "post_clear":
            pk_set = getattr(instance, "cleared", ())
        words = "answers it" if action == "post_add" else "no longer answers it"
        follow(vehicle, f"“{instance}” on {instance.revision.label} {words}.", pk_set or ())

    def answers_go(sender: Any, instance: Any, action: str, reverse: bool, **_: Any) -> None:
        if action == "pre_clear" and not reverse:
            instance.cleared = list(instance.answers.values_list("pk", flat=True))

    def modification_goes(sender: Any, instance: Any, **_: Any) -> None:
        instance.answered = list(instance.answers.values_list("pk", flat=True))

    def modification_gone(sender: Any, instance: Any, origin: Any = None, **_: Any) -> None:
        if _by_itself(origin, Modification):
            vehicle, why = instance.revision.vehicle_id, f"“{instance}”, which answered it, was removed."
            follow(vehicle, why, instance.answered)

    def revision_written(sender: Any, instance: Revision, created: bool, raw: bool = False, **_: Any) -> None:
        if created or raw:
            return
        answered = Failure.objects.filter(answered_by__revision=instance).values_list("pk", flat=True)
        follow(instance.vehicle_id, f"{instance.label} is now: {instance.get_status_display().lower()}.", answered)

    def revision_goes(sender: Any, instance: Any, **_: Any) -> None:
        touched = Q(answered_by__revision=instance) | Q(answered_by__disproved_by__revision=instance)
        instance.touched = list(Failure.objects.filter(touched).values_list("pk", flat=True))

    def revision_gone(sender: Any, instance: Any, origin: Any = None, **_: Any) -> None:
        if _by_itself(origin, Revision):
            follow(instance.vehicle_id, f"{instance.label} was removed.", instance.touched)

    def parts_changed(sender: Any, instance: Fitting, raw: bool = False, origin: Any = None, **_: Any) -> None:
        if not raw and _by_itself(origin, Fitting):
            follow(instance.revision.vehicle_id, f"The parts of {instance.revision.label} were changed.")

    for signal, receiver, sender in (
        (post_save, failure_written, Failure),
        (pre_delete, failure_goes, Failure),
        (post_delete, failure_gone, Failure),
        (m2m_changed, answers_go, Modification.answers.through),
        (m2m_changed, answers_changed, Modification.answers.through),
        (pre_delete, modification_goes, Modification),
        (post_delete, modification_gone, Modification),
        (post_save, revision_written, Revision),
        (pre_delete, revision_goes, Revision),
        (post_delete, revision_gone, Revision),
        (post_save, parts_changed, Fitting),
        (post_delete, parts_changed, Fitting),
    ):
        name = f"loop_{receiver.__name__}"
        signal.connect(receiver, sender=sender, weak=False, dispatch_uid=name)


def _by_itself(origin: Any, model: type[Model]) -> bool:
    """Whether a record was removed for its own sake, and not along with what it belongs to."""
    return origin is None or isinstance(origin, model) or getattr(origin, "model", None) is model
