"""Pages of a machine and of its revisions: what was built, what was ridden, what broke."""

from __future__ import annotations

import uuid

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.failures.loop import States, note_states
from buildlog.failures.models import Failure
from buildlog.failures.queries import failure_list, failures_of_machine
from buildlog.machines import queries
from buildlog.machines.limits import Ride, limits_of
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.photos.models import Photo
from calc.results import grouped
from sessions.outings.machine_queries import revision_rows
from sessions.outings.models import Session

NEWEST, NEWEST_SESSIONS = 10, 20
"""So many revisions, failures and sessions a page shows; a list has the rest."""


@require_safe
def vehicle(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    vehicle = get_object_or_404(Vehicle.objects.select_related("assumptions"), pk=pk)
    revisions = queries.read_line(vehicle)[::-1]
    shown = revisions if request.GET.get("revisions") == "all" else revisions[:NEWEST]
    states = States([vehicle])
    not_held = failures_of_machine(failure_list(), vehicle).exclude(states.in_state(Failure.State.HELD))
    open_failures = list(not_held[: NEWEST + 1])
    states.note_on(open_failures)
    seen = seen_voltages(vehicle)
    built = [revision for revision in revisions if revision.status != Revision.Status.RETIRED]
    context = {
        "vehicle": vehicle,
        "revisions": revision_rows(shown),
        "revision_count": len(revisions),
        "open_failures": open_failures[:NEWEST],
        "more_failures": len(open_failures) > NEWEST,
        "warnings": [(revision.label, alarm) for revision in built for alarm in Machine(revision, seen=seen).warnings],
    }
    return render(request, "machines/vehicle.html", context)


@require_safe
def revision(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    revision = get_object_or_404(Revision.objects.select_related("vehicle", "parent__vehicle"), pk=pk)
    machine = Machine.in_line(revision, seen_voltages(revision.vehicle))
    # Range rests on how the machine is ridden: the bench has it.
    results = [result for result in limits_of(machine, Ride(_last_load_kg(revision.vehicle))) if result.key != "range"]
    failures = list(failure_list().filter(revision=revision)[: NEWEST + 1])
    note_states(failures)
    sessions = list(revision.sessions.select_related("venue")[: NEWEST_SESSIONS + 1])
    context = {
        "revision": revision,
        "machine": machine,
        "groups": grouped(results),
        "missing": [result for result in results if result.value is None],
        "modifications": revision.modifications.prefetch_related("answers__mode", "answers__revision__vehicle"),
        "failures": failures[:NEWEST],
        "more_failures": len(failures) > NEWEST,
        "sessions": sessions[:NEWEST_SESSIONS],
        "more_sessions": len(sessions) > NEWEST_SESSIONS,
        "photos": Photo.objects.filter(revision=revision),
    }
    return render(request, "machines/revision.html", context)


def _last_load_kg(vehicle: Vehicle) -> float | None:
    """Rider and payload of the machine's last session that recorded a rider."""
    ridden = Session.objects.filter(revision__vehicle=vehicle, rider_mass_kg__isnull=False).order_by(
        "-started_at", "pk"
    )
    last = ridden.only("rider_mass_kg", "payload_kg").first()
    return None if last is None or last.rider_mass_kg is None else last.rider_mass_kg + (last.payload_kg or 0.0)
