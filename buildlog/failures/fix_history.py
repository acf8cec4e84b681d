"""Reads the facts of machines for `calc.fix_proof` and `calc.failure_state`, in a fixed number of queries."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cache
from operator import attrgetter
from typing import Any, NamedTuple

from django.db.models import Count, Max, Min, OuterRef, Subquery
from django.utils import timezone

from buildlog.failures.exposure import Ride
from buildlog.failures.models import Failure, Modification, SignOff, Verification
from buildlog.failures.models.failures import DIMENSIONS, named_in
from buildlog.machines.models import Fitting, Revision, Vehicle
from buildlog.machines.queries import LINE, revisions_with_parts
from buildlog.storage.columns import as_text, key_as_text, label_of, moments
from calc.exposure_gaps import RideLength
from calc.failure_facts import FailureFacts, FixFacts, Key, RideFacts, Signature, VerificationFacts, VerificationKind
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
    facts = [
        _facts_of(revision.pk, revision.parent_id, revision, _fitted(revision), revision.pk in was_ridden)
        for revision in read
    ]
    return History(facts, _failures(vehicle, rides, failures), _fixes([vehicle])[vehicle], lengths)


Fitted = tuple[str, Any, Any, int]
"""A fitting: its part's name, its own key, its part's key, and how many."""


def _fitted(revision: Revision) -> list[Fitted]:
    fittings = revision.fittings.all()
    return [(fitting.part.name, fitting.pk, fitting.part_id, fitting.quantity) for fitting in fittings]


@cache
def _dimension(name: str) -> Feature:
    return Feature(name, label_of(Revision, name))


def _facts_of(key: Key, parent: Key, revision: Any, fitted: Collection[Fitted], was_ridden: bool) -> RevisionFacts:
    """Of a revision, or of a row of its columns, with its key and that of its parent."""
    parts: dict[Feature, float] = {}
    for name, _, part, quantity in sorted(fitted):
        feature = Feature(part, name)
        parts[feature] = parts.get(feature, 0) + quantity
    dimensions = {_dimension(name): value for name in DIMENSIONS if (value := getattr(revision, name)) is not None}
    return RevisionFacts(
        key,
        revision.number,
        parent,
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
    columns = "revision__vehicle", "pk", "revision", "title", "changed", "answers"
    return _gathered((*row, named_in(changed), failure) for *row, changed, failure in rows.values_list(*columns))


def _gathered(rows: Iterable[tuple[Any, ...]]) -> Mapping[Any, list[FixFacts]]:
    """Fixes by vehicle, from rows of vehicle, fix, revision, title, what it names as changed, and one failure."""
    answers: dict[tuple[Any, ...], set[Any]] = defaultdict(set)
    for *fix, failure in rows:
        answers[tuple(fix)].add(failure)
    fixes: dict[Any, list[FixFacts]] = defaultdict(list)
    for (vehicle, key, revision, title, named), failures in answers.items():
        fixes[vehicle].append(FixFacts(key, revision, title, frozenset(failures), named))
    return fixes


def text_of(key: Key) -> str:
    """A key of a history as the database writes it; names of dimensions stay as they are."""
    return key_as_text(key) if isinstance(key, uuid.UUID) else str(key)


@dataclass
class Signed:
    """What people say of a machine's fixes."""

    verifications: list[VerificationFacts] = field(default_factory=list)
    signatures: list[Signature] = field(default_factory=list)

    @property
    def rests_on_rides(self) -> bool:
        """Whether a state may depend on how far was ridden."""
        return any(signature.fix is not None for signature in self.signatures)

    def by_text(self) -> Signed:
        """The same for a history whose keys are text, as the database writes them."""
        return Signed(
            [row._replace(fix=text_of(row.fix)) for row in self.verifications],
            [
                row._replace(mode=text_of(row.mode), fix=None if row.fix is None else text_of(row.fix))
                for row in self.signatures
            ],
        )


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


def _named_as_text(changed: Any) -> frozenset[str]:
    return frozenset(text_of(key) for key in named_in(changed))


class RiddenFrom(NamedTuple):
    """A revision, and its first ride as the database writes a moment; None where it was not ridden."""

    facts: RevisionFacts
    first_ride: str | None

    @property
    def ride(self) -> RideFacts:
        """The first ride with its day alone."""
        assert self.first_ride is not None
        return RideFacts(self.facts.key, RideLength(None, None), moments([self.first_ride])[0].date())


def _revisions_as_text(vehicles: Collection[Vehicle]) -> dict[str, list[RiddenFrom]]:
    """The revisions of some machines by the machine, with keys as text. What a page has read already is not read again.

    One query where all lines of revisions are at hand, else two.
    """
    lines = {vehicle.pk: line for vehicle in vehicles if (line := getattr(vehicle, LINE, None)) is not None}
    unread = [vehicle.pk for vehicle in vehicles if vehicle.pk not in lines]
    fitted: dict[str, list[Fitted]] = defaultdict(list)
    fittings = Fitting.objects.filter(revision__vehicle__in=unread).order_by()
    columns = as_text("revision_id"), "part__name", as_text("pk"), as_text("part_id"), "quantity"
    for on, *fitting in fittings.values_list(*columns) if unread else ():
        fitted[on].append(tuple(fitting))
    rows = Revision.objects.filter(vehicle__in=[vehicle.pk for vehicle in vehicles]).order_by("vehicle_id", "number")
    session: Any = Revision._meta.get_field("sessions").related_model
    rides = session.objects.filter(revision=OuterRef("pk")).order_by("started_at")
    first_ride = Subquery(rides.values(text=as_text("started_at"))[:1])
    keys = {"key": as_text("pk"), "parent_key": as_text("parent_id"), "vehicle_key": as_text("vehicle_id")}
    names = "key", "parent_key", "vehicle_key", "first_ride"
    more = ("number", "status", *DIMENSIONS) if unread else ()
    at_hand = {key_as_text(revision.pk): revision for line in lines.values() for revision in line}
    revisions: dict[str, list[RiddenFrom]] = defaultdict(list)
    for row in rows.annotate(**keys, first_ride=first_ride).values_list(*names, *more, named=True):
        revision = at_hand.get(row.key)
        if revision is not None:
            parts = [
                (name, key_as_text(key), key_as_text(part), quantity) for name, key, part, quantity in _fitted(revision)
            ]
        elif unread:
            revision, parts = row, fitted.get(row.key, [])
        else:
            continue
        facts = _facts_of(row.key, row.parent_key, revision, parts, row.first_ride is not None)
        revisions[row.vehicle_key].append(RiddenFrom(facts, row.first_ride))
    return revisions


def groups_of(vehicles: Collection[Vehicle], with_days: Collection[uuid.UUID] = ()) -> dict[uuid.UUID, History]:
    """The histories of several machines without what only a proof needs: failures by revision, mode and cause.

    Of the machines in `with_days` the first ride of each revision is there, with its day: inspections come after it.

    A failure's key is these three, which is all that its state depends on. All keys are text, as the database writes
    them: they are compared some ten thousand times. Four queries of plain columns at most, however many failures.
    """
    vehicle_keys = {key_as_text(vehicle.pk): vehicle.pk for vehicle in vehicles}
    of_machines = {"revision__vehicle__in": list(vehicle_keys.values())}
    revisions = _revisions_as_text(vehicles)
    vehicle_of = {str(row.facts.key): vehicle for vehicle, line in revisions.items() for row in line}
    # Others write meanwhile: what belongs to a revision that was made since is left out with it.
    failures: dict[str, list[FailureFacts]] = defaultdict(list)
    names = "revision", "mode", "cause"
    keys = {f"{name}_key": as_text(f"{name}_id") for name in names}
    grouped = Failure.objects.filter(**of_machines).order_by().values(**keys)
    counted = grouped.annotate(last=Max("happened_at"), worst=Min("severity"), count=Count("pk"))
    columns = "revision_key", "mode_key", "cause_key", "last", "worst", "count"
    for revision, mode, cause, last, worst, count in counted.values_list(*columns):
        if revision in vehicle_of:
            facts = FailureFacts((revision, mode, cause), revision, mode, last, cause, severity=worst, count=count)
            failures[vehicle_of[revision]].append(facts)
    answers = Modification.objects.filter(**of_machines, answers__isnull=False).order_by()
    answered = (as_text(f"answers__{name}_id") for name in names)
    fixes = _gathered(
        (vehicle_of[revision], key, revision, title, _named_as_text(changed), tuple(group))
        for key, revision, title, changed, *group in answers.values_list(
            as_text("pk"), as_text("revision_id"), "title", "changed", *answered
        ).distinct()
        if revision in vehicle_of
    )
    histories = {}
    for text, vehicle in vehicle_keys.items():
        line = revisions.get(text, [])
        rides = [row.ride for row in line if row.first_ride is not None] if vehicle in with_days else []
        histories[vehicle] = History([row.facts for row in line], failures[text], fixes.get(text, []), rides)
    return histories
