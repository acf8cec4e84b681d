"""What `calc.fix_proof` judges of one machine, read from the database in four queries and that of its rides."""

from __future__ import annotations

import uuid
from collections.abc import Iterable

from buildlog.exposure import Ride
from buildlog.models import Failure, Fitting, Modification, Revision
from calc.fix_proof import FailureFacts, FixFacts, History, RideFacts
from calc.lineage import Feature, RevisionFacts

RIDDEN = (Revision.Status.RIDING, Revision.Status.RETIRED)
_DIMENSIONS = ("track_width_m", "wheelbase_m", "rolling_circumference_m", "drive_ratio")
"""What a builder sets. Mass and centre of gravity follow from the parts."""


def history_of(vehicle: uuid.UUID, rides: Iterable[Ride] = ()) -> History:
    """The history of a vehicle's failures and fixes; without rides it proves nothing, and still links them."""
    return History(
        _revisions(vehicle), _failures(vehicle), _fixes(vehicle), [RideFacts(one.revision, one.length) for one in rides]
    )


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


def _failures(vehicle: uuid.UUID) -> list[FailureFacts]:
    rows = Failure.objects.filter(revision__vehicle=vehicle).order_by()
    return [FailureFacts(*row) for row in rows.values_list("pk", "revision", "mode", "happened_at", "cause")]


def _fixes(vehicle: uuid.UUID) -> list[FixFacts]:
    answers: dict[uuid.UUID, set[uuid.UUID]] = {}
    of: dict[uuid.UUID, tuple[uuid.UUID, str]] = {}
    rows = Modification.objects.filter(revision__vehicle=vehicle, answers__isnull=False).order_by()
    for key, revision, title, failure in rows.values_list("pk", "revision", "title", "answers"):
        of[key] = revision, title
        answers.setdefault(key, set()).add(failure)
    return [FixFacts(key, *of[key], frozenset(failures)) for key, failures in answers.items()]
