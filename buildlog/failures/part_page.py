"""The page of a part: what it is, where it is fitted, and what broke of it."""

from __future__ import annotations

import uuid

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.failures.loop import note_states
from buildlog.failures.queries import failure_list
from buildlog.machines.models import Part
from buildlog.photos.models import Photo

NEWEST = 10
"""So many failures the page shows; a list has the rest."""


@require_safe
def part(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    part = get_object_or_404(Part, pk=pk)
    failures = list(failure_list().filter(part=part)[: NEWEST + 1])
    note_states(failures)
    context = {
        "part": part,
        "fittings": part.fittings.select_related("revision__vehicle").order_by("revision__number"),
        "failures": failures[:NEWEST],
        "more_failures": len(failures) > NEWEST,
        "photos": Photo.objects.filter(part=part),
    }
    return render(request, "machines/part.html", context)
