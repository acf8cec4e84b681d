"""What `calc.fix_proof` judges of one machine, read from the database in four queries and that of its rides."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from datetime import datetime, timedelta

from buildlog.exposure import Ride
from buildlog.models import Failure, Fitting, Modification, Revision
from calc.fix_proof import FailureFacts, FixFacts, History, RideFacts
from calc.lineage import Feature, RevisionFacts

RIDDEN = (Revision.Status.RIDING, Revision.Status.RETIRED)
_DIMENSIONS = ("track_width_m", "wheelbase_m", "rolling_circumference_m", "drive_ratio")
"""What a builder sets. Mass and centre of gravity follow from the parts."""


A_DAY = timedelta(days=1)


def history_of(vehicle: uuid.UUID, rides: Collection[Ride] = ()) -> History:
    """The history of a vehicle's failures and fixes; without rides it proves nothing, and still links them."""
    lengths = [RideFacts(one.revision, one.length) for one in rides]
    return History(_revisions(vehicle), _failures(vehicle, rides), _fixes(vehicle), lengths)


def _revisions(vehicle: uuid.UUID) -> list[RevisionFacts]:
    parts: dict[uuid.UUID, dict[Feature, float]] = {}
    fitted = Fitting.objects.filter(revision__vehicle=vehicle).order_by("part__name", "pk")
    for revision, part, name, quantity in fitted.values_list("revision", "part", "part__name", "quantity"):
        listed = parts.setdefault(revision, {})
        listed[Feature(part, name)] = listed.get(Feature(part, name), 0) + quantity
    dimensions = [Feature(name, str(Revision._meta.get_field(name).verbose_name)) for name in _DIMENSIONS]
    rows = Revision.objects.filter(vehicle=vehicle).order_by("number")
    return [
        RevisionFacts(
            key, number, parent, status in RIDDEN, status == Revision.Status.RIDING, parts.get(key, {}),
            {one: value for one, value in zip(dimensions, values, strict=True) if value is not None},
        )
        for key, number, parent, status, *values in rows.values_list("pk", "number", "parent", "status", *_DIMENSIONS)
    ]  # fmt: skip


def _failures(vehicle: uuid.UUID, rides: Collection[Ride]) -> list[FailureFacts]:
    """One that names no session came on a recorded ride if its revision was ridden within a day of it."""
    starts: dict[uuid.UUID, list[datetime]] = {}
    for ride in rides:
        starts.setdefault(ride.revision, []).append(ride.started_at)
    rows = Failure.objects.filter(revision__vehicle=vehicle).order_by()
    return [
        FailureFacts(*row, session is not None or any(abs(start - row[3]) <= A_DAY for start in starts.get(row[1], ())))
        for *row, session in rows.values_list("pk", "revision", "mode", "happened_at", "cause", "session")
    ]


def _fixes(vehicle: uuid.UUID) -> list[FixFacts]:
    answers: dict[uuid.UUID, set[uuid.UUID]] = {}
    of: dict[uuid.UUID, tuple[uuid.UUID, str]] = {}
    rows = Modification.objects.filter(revision__vehicle=vehicle, answers__isnull=False).order_by()
    for key, revision, title, failure in rows.values_list("pk", "revision", "title", "answers"):
        of[key] = revision, title
        answers.setdefault(key, set()).add(failure)
    return [FixFacts(key, *of[key], frozenset(failures)) for key, failures in answers.items()]
