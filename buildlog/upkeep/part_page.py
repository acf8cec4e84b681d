"""The page of a part: what it is, where it is fitted, what it went through, and what broke of it."""

from __future__ import annotations

import uuid

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.failures.loop import note_states
from buildlog.failures.queries import failure_list
from buildlog.machines.models import Part
from buildlog.photos.models import Photo
from buildlog.upkeep.rides import MachineRides

NEWEST = 10
"""So many failures the page shows; a list has the rest."""


@require_safe
def part(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    part = get_object_or_404(Part, pk=pk)
    failures = list(failure_list().filter(part=part)[: NEWEST + 1])
    note_states(failures)
    fittings = list(part.fittings.select_related("revision__vehicle").order_by("revision__number"))
    context = {
        "part": part,
        "fittings": fittings,
        "use": MachineRides.of_machines({fitting.revision.vehicle_id for fitting in fittings}).of_part(part),
        "pieces": part.individuals.all(),
        "failures": failures[:NEWEST],
        "more_failures": len(failures) > NEWEST,
        "photos": Photo.objects.filter(part=part),
    }
    return render(request, "machines/part.html", context)
