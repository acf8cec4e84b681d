"""Reads the facts of machines for `calc.fix_proof` and `calc.failure_state`, in a fixed number of queries."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from operator import attrgetter
from typing import Any

from django.db.models import Count, Exists, Max, Min, OuterRef
from django.utils import timezone

from buildlog.failures.exposure import Ride
from buildlog.failures.models import Failure, Modification, SignOff, Verification
from buildlog.failures.models.failures import DIMENSIONS, named_in
from buildlog.machines.models import Fitting, Revision
from buildlog.machines.queries import revisions_with_parts
from buildlog.storage.columns import label_of
from calc.failure_facts import FailureFacts, FixFacts, RideFacts, Signature, VerificationFacts, VerificationKind
from calc.fix_proof import History
from calc.lineage import Feature, RevisionFacts

RIDDEN = (Revision.Status.RIDING, Revision.Status.RETIRED)
A_DAY = timedelta(days=1)


def history_of(
    vehicle: uuid.UUID,
    rides: Collection[Ride] = (),
    revisions: Collection[Revision] | None = None,
    failures: Collection[Failure] | None = None,
) -> History:
    """The history of a vehicle's failures and fixes, with its rides: what a proof needs. Three queries.

    `revisions` are the vehicle's, by number and with their parts, and `failures` all of its, if a page has read them
    already.
    """
    lengths = [RideFacts(ride.revision, ride.length, ride.started_at.date()) for ride in rides]
    read = revisions_with_parts().filter(vehicle=vehicle).order_by("number") if revisions is None else revisions
    was_ridden = {ride.revision for ride in rides}
    facts = [_facts_of(revision, _fitted(revision), revision.pk in was_ridden) for revision in read]
    return History(facts, _failures(vehicle, rides, failures), _fixes([vehicle])[vehicle], lengths)


REVISION_COLUMNS = ("pk", "vehicle_id", "number", "parent_id", "status", *DIMENSIONS)
FITTED_COLUMNS = ("part__name", "pk", "part_id", "quantity")
Fitted = tuple[str, Any, Any, int]
"""A fitting by these columns."""


def _fitted(revision: Revision) -> list[Fitted]:
    fittings = revision.fittings.all()
    return [(fitting.part.name, fitting.pk, fitting.part_id, fitting.quantity) for fitting in fittings]


def _facts_of(revision: Any, fitted: Collection[Fitted], was_ridden: bool) -> RevisionFacts:
    """Of a revision, or of a row of its columns."""
    parts: dict[Feature, float] = {}
    for name, _, part, quantity in sorted(fitted):
        feature = Feature(part, name)
        parts[feature] = parts.get(feature, 0) + quantity
    dimensions = {
        Feature(name, label_of(Revision, name)): getattr(revision, name)
        for name in DIMENSIONS
        if getattr(revision, name) is not None
    }
    return RevisionFacts(
        revision.pk,
        revision.number,
        revision.parent_id,
        was_ridden,
        revision.status == Revision.Status.RIDING,
        revision.status != Revision.Status.PLANNED,
        parts,
        dimensions,
    )


FAILURE_COLUMNS = ("pk", "revision_id", "mode_id", "happened_at", "cause_id", "session_id", "severity")


def _failures(vehicle: uuid.UUID, rides: Collection[Ride], read: Collection[Failure] | None) -> list[FailureFacts]:
    """A failure without a session counts as on a recorded ride if its revision was ridden within a day of it."""
    starts: dict[uuid.UUID, list[datetime]] = {}
    for ride in rides:
        starts.setdefault(ride.revision, []).append(ride.started_at)
    columns: Iterable[tuple[Any, ...]] = (
        Failure.objects.filter(revision__vehicle=vehicle).order_by().values_list(*FAILURE_COLUMNS)
        if read is None
        else map(attrgetter(*FAILURE_COLUMNS), read)
    )
    return [
        FailureFacts(
            key,
            revision,
            mode,
            happened_at,
            cause,
            session is not None or any(abs(start - happened_at) <= A_DAY for start in starts.get(revision, ())),
            severity,
            session or timezone.localdate(happened_at),
        )
        for key, revision, mode, happened_at, cause, session, severity in columns
    ]


def _fixes(vehicles: Collection[uuid.UUID]) -> Mapping[uuid.UUID, list[FixFacts]]:
    """The modifications that answer failures, by vehicle."""
    rows = Modification.objects.filter(revision__vehicle__in=vehicles, answers__isnull=False).order_by()
    return _gathered(rows.values_list("revision__vehicle", "pk", "revision", "title", "changed", "answers"))


def _gathered(rows: Iterable[tuple[Any, ...]]) -> Mapping[uuid.UUID, list[FixFacts]]:
    answers: dict[tuple[Any, ...], set[Any]] = defaultdict(set)
    for vehicle, key, revision, title, changed, failure in rows:
        answers[vehicle, key, revision, title, named_in(changed)].add(failure)
    fixes: dict[uuid.UUID, list[FixFacts]] = defaultdict(list)
    for (vehicle, key, revision, title, named), failures in answers.items():
        fixes[vehicle].append(FixFacts(key, revision, title, frozenset(failures), named))
    return fixes


@dataclass
class Signed:
    """What people say of a machine's fixes."""

    verifications: list[VerificationFacts] = field(default_factory=list)
    signatures: list[Signature] = field(default_factory=list)

    @property
    def rests_on_rides(self) -> bool:
        """Whether a state may depend on how far was ridden."""
        return any(signature.fix is not None for signature in self.signatures)


def signed_of(
    vehicles: Collection[uuid.UUID], verifications: Iterable[Verification] | None = None
) -> Mapping[uuid.UUID, Signed]:
    """What is signed and verified, by vehicle. Two queries; one where a page has read a machine's verifications."""
    signed: dict[uuid.UUID, Signed] = defaultdict(Signed)
    if verifications is None:
        rows = Verification.objects.filter(modification__revision__vehicle__in=vehicles).order_by()
        verified = list(rows.values_list("modification__revision__vehicle", "modification", "kind", "done_on"))
    else:
        [machine] = vehicles
        verified = [(machine, row.modification_id, row.kind, row.done_on) for row in verifications]
    for vehicle, fix, kind, day in verified:
        signed[vehicle].verifications.append(VerificationFacts(fix, VerificationKind(kind), day))
    columns = "vehicle", "mode", "modification", "failures", "fixes", "signed_at", "signed_by", "why"
    for vehicle, *row in SignOff.objects.filter(vehicle__in=vehicles).order_by().values_list(*columns):
        signed[vehicle].signatures.append(Signature(*row))
    return signed


def groups_of(vehicles: Collection[uuid.UUID]) -> dict[uuid.UUID, History]:
    """The histories of several machines without what only a proof needs: failures by revision, mode and cause.

    A failure's key is these three, which is all that its state depends on. Four queries of plain columns, however many
    failures.
    """
    of_machines = {"revision__vehicle__in": vehicles}
    fitted: dict[uuid.UUID, list[Fitted]] = defaultdict(list)
    fittings = Fitting.objects.filter(**of_machines).order_by()
    for on, *row in fittings.values_list("revision", *FITTED_COLUMNS):
        fitted[on].append(tuple(row))
    revisions: dict[uuid.UUID, list[RevisionFacts]] = defaultdict(list)
    vehicle_of: dict[uuid.UUID, uuid.UUID] = {}
    session: Any = Revision._meta.get_field("sessions").related_model
    was_ridden = Exists(session.objects.filter(revision=OuterRef("pk")))
    rows = Revision.objects.filter(vehicle__in=vehicles).order_by("vehicle_id", "number")
    for row in rows.annotate(was_ridden=was_ridden).values_list(*REVISION_COLUMNS, "was_ridden", named=True):
        vehicle_of[row.pk] = row.vehicle_id
        revisions[row.vehicle_id].append(_facts_of(row, fitted.get(row.pk, ()), row.was_ridden))
    # Others write meanwhile: what belongs to a revision that was made since is left out with it.
    failures: dict[uuid.UUID, list[FailureFacts]] = defaultdict(list)
    grouped = Failure.objects.filter(**of_machines).order_by().values("revision", "mode", "cause")
    counted = grouped.annotate(last=Max("happened_at"), worst=Min("severity"), count=Count("pk"))
    for *group, last, worst, count in counted.values_list("revision", "mode", "cause", "last", "worst", "count"):
        revision, mode, cause = group
        if revision in vehicle_of:
            facts = FailureFacts(tuple(group), revision, mode, last, cause, severity=worst, count=count)
            failures[vehicle_of[revision]].append(facts)
    answers = Modification.objects.filter(**of_machines, answers__isnull=False).order_by()
    columns = "pk", "revision", "title", "changed", "answers__revision", "answers__mode", "answers__cause"
    fixes = _gathered(
        (vehicle_of[revision], key, revision, title, changed, (of, mode, cause))
        for key, revision, title, changed, of, mode, cause in answers.values_list(*columns).distinct()
        if revision in vehicle_of
    )
    return {vehicle: History(revisions[vehicle], failures[vehicle], fixes.get(vehicle, [])) for vehicle in vehicles}
