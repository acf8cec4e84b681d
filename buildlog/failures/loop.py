"""The loop of a machine's failures: its states, worked out from what is recorded, and what people sign.

open → fix fitted → watching → held, or recurred and round again. `calc.failure_state` says which state follows from
the facts; nothing of it is stored. Only a person's word is: that a fix has held, or that a mode is closed without one.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Min, Q
from django.utils import timezone

from buildlog.failures.exposure import Exposure
from buildlog.failures.fix_history import Signed, groups_of, history_of, signed_of, text_of
from buildlog.failures.models import Failure, SignOff, Verification
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.queries import read_line
from buildlog.people import current_account
from calc.failure_facts import HURTS, FailureFacts, Key
from calc.failure_state import Loop, Standing, State
from calc.fix_proof import HALF, Bar
from calc.proof_sentences import refusal

DEFAULT_CONFIDENCE = 0.8
"""What *Measuring assumptions* is filled in with. It asks for nothing: the number of fixes decides then."""


class IllegalTransition(ValidationError):
    """A word that may not be signed; the message says why."""


def bar_of(vehicle: Vehicle) -> Bar:
    """What the machine asks of riding beyond what every machine asks."""
    assumptions = getattr(vehicle, "assumptions", None)
    if assumptions is None:
        return Bar()
    confidence: float = assumptions.held_confidence
    return Bar(min(HALF, assumptions.held_rate_fraction), confidence if confidence > DEFAULT_CONFIDENCE else 0.0)


def loop_of(
    vehicle: Vehicle,
    *,
    exposure: Exposure | None = None,
    revisions: Collection[Revision] | None = None,
    failures: Collection[Failure] | None = None,
    verifications: Iterable[Verification] | None = None,
) -> Loop:
    """The loop of one machine with everything that a proof needs.

    What a page has read already, it gives along.
    """
    # Read first: the doubts of the rides then need not read the line again.
    line = read_line(vehicle) if revisions is None else revisions
    rides = (exposure or Exposure(vehicle)).rides
    signed = signed_of([vehicle.pk], verifications).get(vehicle.pk) or Signed()
    history = history_of(vehicle.pk, rides, line, failures)
    return Loop(history, bar_of(vehicle), signed.verifications, signed.signatures)


def standing_of(failure: Failure) -> Standing:
    """The state of one failure with its reasons."""
    loop = loop_of(failure.revision.vehicle)
    return loop.standing(loop.history.failures[failure.pk])


class States:
    """The states of all failures of some machines, in a fixed number of queries.

    A machine on which riding decides whether a signed fix has held takes those of its rides beside. A failure that
    somebody records, or gives a cause, while a page is read is open, and no fix of it is known.
    """

    def __init__(self, vehicles: Iterable[Vehicle]) -> None:
        machines = {vehicle.pk: vehicle for vehicle in vehicles}
        signed = signed_of(machines.keys())
        self._loops: dict[uuid.UUID, Loop] = {}
        with_days = {key for key in machines if signed[key].rests_on_rides}
        for key, history in groups_of(machines.values(), with_days).items() if machines else ():
            of_machine = signed[key].by_text()
            loop = Loop(history, Bar(), of_machine.verifications, of_machine.signatures)
            self._loops[key] = loop_of(machines[key]) if loop.rests_on_riding else loop
        self._fixed_on: dict[Group, frozenset[uuid.UUID] | None] = {}
        self._groups = {
            _group_of(failure): (loop, failure)
            for loop in self._loops.values()
            for failure in loop.history.failures.values()
        }

    def note_on(self, failures: Iterable[Failure]) -> None:
        """Give each of these failures its state, so that none of them reads anything more."""
        for failure in failures:
            known = self._groups.get(_group(failure.revision_id, failure.mode_id, failure.cause_id))
            if known is None:
                failure.standing, failure.fixed_on = Standing(State.OPEN), frozenset()
            else:
                note_state(failure, *known)

    def fixed_on(self, group: Group) -> frozenset[uuid.UUID] | None:
        """The revisions with a fix of the failures of one revision, mode and cause; None where these have held."""
        if group not in self._groups:
            return frozenset()
        if group not in self._fixed_on:
            loop, facts = self._groups[group]
            self._fixed_on[group] = None if loop.is_held(facts) else _fixed_on(loop, facts)
        return self._fixed_on[group]

    def first_of(self, failures: Collection[Failure]) -> dict[uuid.UUID, uuid.UUID]:
        """For those that came although a fix was fitted, the first failure of their kind. Two queries."""
        groups: dict[uuid.UUID, set[Group]] = {}
        for failure in failures:
            known = self._groups.get(_group(failure.revision_id, failure.mode_id, failure.cause_id))
            if known is None:
                continue
            loop, facts = known
            earlier = loop.history.earlier_of_kind(facts)
            if earlier:
                groups[failure.pk] = {_group_of(other) for other in earlier}
        wanted = set().union(*groups.values())
        came = Failure.objects.filter(revision__in={group[0] for group in wanted}).order_by()
        kinds = came.values_list("revision", "mode", "cause").annotate(first=Min("happened_at"))
        moments = {group: at for *keys, at in kinds if (group := _group(*keys)) in wanted}
        # Of all that came, only those of a first moment are read.
        rows = came.filter(happened_at__in=set(moments.values())).order_by("pk")
        first: dict[Group, uuid.UUID] = {}
        for *keys, at, key in rows.values_list("revision", "mode", "cause", "happened_at", "pk"):
            group = _group(*keys)
            if moments.get(group) == at:
                first.setdefault(group, key)
        return {key: min((moments[group], first[group]) for group in of_kind)[1] for key, of_kind in groups.items()}

    def in_state(self, *states: str) -> Q:
        """The condition on failures that are in one of these states."""
        chosen: dict[tuple[str, str | None], list[str]] = {}
        is_only_held = set(states) == {State.HELD}
        for (revision, mode, cause), (loop, facts) in self._groups.items():
            if loop.is_held(facts) if is_only_held else loop.standing(facts).state in states:
                chosen.setdefault((mode, cause), []).append(revision)
        condition = Q(pk__in=[])
        for (mode, cause), revisions in chosen.items():
            of_cause = Q(cause__isnull=True) if cause is None else Q(cause=cause)
            condition |= Q(mode=mode, revision__in=revisions) & of_cause
        return condition


Group = tuple[str, str, str | None]
"""Revision, mode and cause of failures that share a state; keys as the database writes them."""


def _group(revision: Key, mode: Key, cause: Key | None) -> Group:
    return text_of(revision), text_of(mode), None if cause is None else text_of(cause)


def _group_of(facts: FailureFacts) -> Group:
    return _group(facts.revision, facts.mode, facts.cause)


def note_state(failure: Failure, loop: Loop, facts: FailureFacts) -> None:
    """Give a failure its state and the revisions with a fix of it, from the loop of its machine."""
    failure.standing = loop.standing(facts)
    failure.fixed_on = _fixed_on(loop, facts)


def _fixed_on(loop: Loop, facts: FailureFacts) -> frozenset[uuid.UUID]:
    return frozenset(uuid.UUID(str(fix.revision)) for fix in loop.history.fixes_for(facts))


def note_states(failures: Collection[Failure]) -> None:
    """Give the failures of a list their states; they were read with revision and vehicle."""
    if failures:
        States({failure.revision.vehicle for failure in failures}).note_on(failures)


# What people sign


def sign_held(failure: Failure, why: str) -> SignOff:
    """Sign that the fix of a failure's mode has held. Raises IllegalTransition with a sentence where nothing shows it.

    It speaks for all failures of the mode that the fix answers.
    """
    with transaction.atomic():
        # Two people who sign at the same moment do it one after the other.
        vehicle = Vehicle.objects.select_for_update().get(pk=failure.revision.vehicle_id)
        loop = loop_of(vehicle)
        facts = loop.history.failures[failure.pk]
        standing = loop.standing(facts)
        if not standing.may_be_held:
            raise IllegalTransition(why_not_held(loop, facts, standing))
        fix = standing.fix
        return SignOff.objects.create(
            kind=SignOff.Kind.HELD,
            modification_id=uuid.UUID(str(fix.key)) if fix else None,
            **_word_on(loop, facts, vehicle, why),
        )


def close_without_fix(failure: Failure, why: str) -> SignOff:
    """Sign that a mode will get no fix. Raises IllegalTransition where it can hurt, or a fix is on the way."""
    with transaction.atomic():
        vehicle = Vehicle.objects.select_for_update().get(pk=failure.revision.vehicle_id)
        loop = loop_of(vehicle)
        facts = loop.history.failures[failure.pk]
        if loop.severity(facts.mode) in HURTS:
            raise IllegalTransition("A mode that can hurt somebody (severity I or II) is not closed without a fix.")
        if loop.standing(facts).state not in (State.OPEN, State.RECURRED):
            raise IllegalTransition("A fix of it is fitted, or it is closed already.")
        return SignOff.objects.create(kind=SignOff.Kind.CLOSED, **_word_on(loop, facts, vehicle, why))


def _word_on(loop: Loop, facts: FailureFacts, vehicle: Vehicle, why: str) -> dict[str, object]:
    account = current_account.account()
    return {
        "vehicle": vehicle,
        "mode_id": facts.mode,
        "why": why[:500],
        "signed_by": account.username if account else "",
        "signed_at": timezone.now(),
        "failures": sum(failure.count for failure in loop.modes[facts.mode]),
        "fixes": max(1, loop.fixes_judged),
    }


def why_not_held(loop: Loop, facts: FailureFacts, standing: Standing, system: str = "metric") -> str:
    """The sentence that refuses to call a fix held."""
    if standing.state is State.HELD:
        return "It is called held already."
    if standing.shown is None:
        return refusal(None)
    return refusal(standing.shown.proof, system, standing.shown)
