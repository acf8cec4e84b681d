"""Pages of a machine and of its revisions: what was built, what was ridden, what broke."""

from __future__ import annotations

import uuid

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.failures.models import Failure
from buildlog.failures.queries import failure_rows
from buildlog.machines import queries
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.photos.models import Photo
from sessions.outings.machine_queries import revision_rows


@require_safe
def vehicle(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Vehicle, pk=pk)
    revisions = revision_rows(found)
    open_failures = failure_rows().filter(revision__vehicle=found).exclude(state=Failure.State.HELD)
    seen = seen_voltages(found)
    built = [one for one in reversed(queries.read_line(found)) if one.status != Revision.Status.RETIRED]
    warnings = [(one.label, alarm) for one in built for alarm in Machine(one, seen=seen).warnings]
    context = {"vehicle": found, "revisions": revisions, "open_failures": open_failures, "warnings": warnings}
    return render(request, "machines/vehicle.html", context)


@require_safe
def revision(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Revision.objects.select_related("vehicle", "parent__vehicle"), pk=pk)
    queries.read_line(found.vehicle)
    context = {
        "revision": found,
        "machine": Machine.in_line(found, seen_voltages(found.vehicle)),
        "modifications": found.modifications.prefetch_related("answers__mode", "answers__revision__vehicle"),
        "failures": failure_rows().filter(revision=found),
        "sessions": found.sessions.select_related("venue"),
        "photos": Photo.objects.filter(revision=found),
    }
    return render(request, "machines/revision.html", context)
