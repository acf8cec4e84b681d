"""Pages of a machine and of its revisions: what was built, what was ridden, what broke."""

from __future__ import annotations

import uuid

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.failures.loop import States
from buildlog.failures.models import Failure
from buildlog.failures.queries import failure_list, failures_of_machine
from buildlog.machines import queries
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.seen_voltages import seen_voltages
from sessions.outings.machine_queries import revision_rows

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
