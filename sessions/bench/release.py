"""What stands between a revision and riding: its open points, who accepted which, and its releases."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from django.db.models import Max
from django.utils import timezone

from buildlog.failures.queries import Hazard, hazards_of, on_line
from buildlog.machines.balance import up_the_line
from buildlog.machines.going_to_ride import Gate
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from buildlog.machines.queries import LINE, read_line, read_lines
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.people import current_account
from buildlog.upkeep.due import Upkeep
from sessions.bench.release_models import AcceptedPoint, Release
from sessions.bench.release_rules import SEVERITIES, Point, Subject, points_of
from sessions.outings.machine_queries import load_of, loads_of
from sessions.outings.models import Session


@dataclass(frozen=True)
class OpenPoint:
    """A point with the acceptance that holds for it, if there is one."""

    point: Point
    accepted: AcceptedPoint | None

    @property
    def is_open(self) -> bool:
        return self.accepted is None


@dataclass(frozen=True)
class ReleaseState:
    """Where a revision stands before it is ridden."""

    revision: Revision
    points: list[OpenPoint]
    releases: list[Release]

    @cached_property
    def open_points(self) -> list[Point]:
        return [row.point for row in self.points if row.is_open]

    @property
    def seen(self) -> str:
        """What a page shows as settled, as its form sends it back: whoever releases has read exactly these."""
        return " ".join(sorted(str(row.accepted.pk) for row in self.points if row.accepted is not None))

    @cached_property
    def accepted_points(self) -> list[OpenPoint]:
        return [row for row in self.points if not row.is_open]


def release_state(
    revision: Revision,
    *,
    machine: Machine | None = None,
    load_kg: float | None = None,
    hazards: list[Hazard] | None = None,
) -> ReleaseState:
    """The open points of a stored revision, in a fixed number of queries; a page gives what it has read already.

    hazards: the machine's.
    """
    if machine is None:
        machine, load_kg = Machine.in_line(revision, seen_voltages(revision.vehicle)), load_of(revision)
    accepted, last_starts = _acceptances([revision.pk])
    rows = _with_acceptances(points_of(subject_of(machine, load_kg, hazards)), revision, accepted, last_starts)
    return ReleaseState(revision, rows, list(Release.objects.filter(revision=revision.pk)))


def points_to_ask(revisions: Collection[Revision]) -> dict[Any, list[OpenPoint]]:
    """The points of many revisions for the phone, by key, in a fixed number of queries; without measured voltages,
    because the phone asks for the rest voltage itself."""
    keys = [revision.pk for revision in revisions]
    stored = {revision.pk: revision for revision in read_lines(keys)}
    accepted, last_starts = _acceptances(keys)
    vehicles = {revision.vehicle_id for revision in revisions}
    loads, hazards, upkeep = loads_of(vehicles), hazards_of(vehicles), Upkeep(vehicles)
    points = {}
    for key in keys:
        machine = Machine(stored[key])
        vehicle = stored[key].vehicle_id
        load_kg = loads.get(vehicle, stored[key].rider_mass_kg)
        subject = subject_of(machine, load_kg, hazards.get(vehicle, []), upkeep)
        points[key] = _with_acceptances(points_of(subject), stored[key], accepted, last_starts)
    return points


def _acceptances(keys: Collection[Any]) -> tuple[list[AcceptedPoint], dict[Any, Any]]:
    """What was accepted on revisions, the newest first, and when each was ridden last."""
    accepted = list(AcceptedPoint.objects.filter(revision__in=keys).order_by("-accepted_at", "pk"))
    sessions = Session.objects.filter(revision__in=keys).order_by().values("revision")
    return accepted, dict(sessions.annotate(last=Max("started_at")).values_list("revision", "last"))


def _with_acceptances(
    points: list[Point], revision: Revision, accepted: list[AcceptedPoint], last_starts: dict[Any, Any]
) -> list[OpenPoint]:
    own = [row for row in accepted if row.revision_id == revision.pk]
    return [OpenPoint(point, _acceptance(point, own, last_starts.get(revision.pk))) for point in points]


def subject_of(
    machine: Machine, load_kg: float | None, hazards: list[Hazard] | None = None, upkeep: Upkeep | None = None
) -> Subject:
    """What the rules look at; `hazards` are the machine's, where they were read."""
    revision = machine.revision
    line = {step.pk for step in up_the_line(revision, machine.line)}
    parent = machine.line.get(revision.parent_id) if revision.parent_id else None
    if hazards is None:
        hazards = hazards_of([revision.vehicle_id]).get(revision.vehicle_id, [])
    upkeep = upkeep or Upkeep([revision.vehicle_id], line=machine.line.values())
    return Subject(
        machine,
        load_kg,
        Machine(parent) if parent is not None else None,
        on_line(hazards, line),
        upkeep.on(revision),
        upkeep.on_two_machines(revision),
    )


def _acceptance(point: Point, accepted: list[AcceptedPoint], last_start: Any) -> AcceptedPoint | None:
    """The newest acceptance that still holds: of the same sentence, and not used up by an outing."""
    for row in accepted:
        if row.point != point.key or row.sentence != point.sentence[:600]:
            continue
        used_up = point.for_one_outing and last_start is not None and last_start >= row.accepted_at
        if not used_up:
            return row
    return None


def accept(revision: Revision, point: Point, reason: str, account: Any) -> AcceptedPoint:
    return AcceptedPoint.objects.create(
        revision=revision,
        point=point.key,
        title=point.title[:160],
        sentence=point.sentence[:600],
        reason=reason,
        accepted_by=account.get_username(),
        for_one_outing=point.for_one_outing,
    )


def refusal(revision: Revision, takes_parts_along: bool) -> str:
    """Why it may not be set to riding; "" where no point is open. One that is being made is judged by the parts that it
    will have: its parent's where it takes them along, else none."""
    if revision._state.adding:
        line = getattr(revision.vehicle, LINE, None) or read_line(revision.vehicle)
        parent = next((row for row in line if row.pk == revision.parent_id), None)
        fittings = list(parent.fittings.all()) if parent is not None and takes_parts_along else []
        points = points_of(subject_of(Machine(revision, fittings), load_of(revision)))
    else:
        points = release_state(revision).open_points
    if not points:
        return ""
    titles = " ".join(point.title for point in points[:3])
    more = f" And {len(points) - 3} more." if len(points) > 3 else ""
    count = "One point is" if len(points) == 1 else f"{len(points)} points are"
    return f"{count} open before {revision.label} may be ridden: {titles}{more} Settle them under Release first."


def note_release(revision: Revision) -> Release:
    """Record that a revision went to riding, with what was accepted."""
    state = release_state(revision)
    account: Any = current_account.account()
    return Release.objects.create(
        revision=revision,
        released_by=account.get_username() if account is not None else "",
        released_at=timezone.now(),
        points=[_as_stored(row) for row in state.accepted_points],
    )


def _as_stored(row: OpenPoint) -> dict[str, Any]:
    assert row.accepted is not None
    return {
        "point": row.point.key,
        "title": row.point.title,
        "sentence": row.point.sentence,
        "severity": row.point.severity,
        "settled": "accepted",
        "by": row.accepted.accepted_by,
        "reason": row.accepted.reason,
        "for_one_outing": row.accepted.for_one_outing,
    }


def release_as_json(state: ReleaseState) -> dict[str, Any]:
    """Points and releases as interfaces say them."""
    return {
        "open_points": len(state.open_points),
        "points": [
            {
                "point": row.point.key,
                "area": row.point.area,
                "severity": row.point.severity,
                "severity_words": SEVERITIES[row.point.severity],
                "title": row.point.title,
                "sentence": row.point.sentence,
                "settled_how": row.point.settled_how,
                "accepted": None
                if row.accepted is None
                else {"by": row.accepted.accepted_by, "at": row.accepted.accepted_at, "reason": row.accepted.reason},
            }
            for row in state.points
        ],
        "releases": [
            {"by": release.released_by, "at": release.released_at, "points": release.points}
            for release in state.releases
        ],
    }


GATE = Gate(refusal, note_release)
