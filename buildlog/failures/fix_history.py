"""What `calc.fix_proof` judges of one machine, read from the database in four queries and that of its rides."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from datetime import datetime, timedelta

from buildlog.failures.exposure import Ride
from buildlog.failures.models import Failure, Modification
from buildlog.machines.models import Revision
from buildlog.machines.queries import revisions_with_parts
from buildlog.storage.columns import label_of
from calc.fix_proof import FailureFacts, FixFacts, History, RideFacts
from calc.lineage import Feature, RevisionFacts

RIDDEN = (Revision.Status.RIDING, Revision.Status.RETIRED)
_DIMENSIONS = ("track_width_m", "wheelbase_m", "rolling_circumference_m", "drive_ratio")
"""What a builder sets. Mass and centre of gravity follow from the parts."""


A_DAY = timedelta(days=1)


def history_of(
    vehicle: uuid.UUID, rides: Collection[Ride] = (), revisions: Collection[Revision] | None = None
) -> History:
    """The history of a vehicle's failures and fixes; without rides it proves nothing, and still links them.

    `revisions` are the vehicle's, by number and with their parts, where a page has read them already.
    """
    lengths = [RideFacts(one.revision, one.length) for one in rides]
    read = revisions_with_parts().filter(vehicle=vehicle).order_by("number") if revisions is None else revisions
    return History([_facts_of(revision) for revision in read], _failures(vehicle, rides), _fixes(vehicle), lengths)


def _facts_of(revision: Revision) -> RevisionFacts:
    parts: dict[Feature, float] = {}
    for fitting in sorted(revision.fittings.all(), key=lambda fitting: (fitting.part.name, fitting.pk)):
        feature = Feature(fitting.part_id, fitting.part.name)
        parts[feature] = parts.get(feature, 0) + fitting.quantity
    dimensions = {
        Feature(name, label_of(Revision, name)): getattr(revision, name)
        for name in _DIMENSIONS
        if getattr(revision, name) is not None
    }
    status = revision.status
    is_riding = status == Revision.Status.RIDING
    return RevisionFacts(
        revision.pk, revision.number, revision.parent_id, status in RIDDEN, is_riding, parts, dimensions
    )


def _failures(vehicle: uuid.UUID, rides: Collection[Ride]) -> list[FailureFacts]:
    """One that names no session came on a recorded ride if its revision was ridden within a day of it."""
    starts: dict[uuid.UUID, list[datetime]] = {}
    for ride in rides:
        starts.setdefault(ride.revision, []).append(ride.started_at)
    rows = Failure.objects.filter(revision__vehicle=vehicle).order_by()
    columns = rows.values_list("pk", "revision", "mode", "happened_at", "cause", "session")
    return [
        FailureFacts(
            key,
            revision,
            mode,
            happened_at,
            cause,
            session is not None or any(abs(start - happened_at) <= A_DAY for start in starts.get(revision, ())),
        )
        for key, revision, mode, happened_at, cause, session in columns
    ]


def _fixes(vehicle: uuid.UUID) -> list[FixFacts]:
    answers: dict[uuid.UUID, set[uuid.UUID]] = {}
    of: dict[uuid.UUID, tuple[uuid.UUID, str]] = {}
    rows = Modification.objects.filter(revision__vehicle=vehicle, answers__isnull=False).order_by()
    for key, revision, title, failure in rows.values_list("pk", "revision", "title", "answers"):
        of[key] = revision, title
        answers.setdefault(key, set()).add(failure)
    return [FixFacts(key, *of[key], frozenset(failures)) for key, failures in answers.items()]
