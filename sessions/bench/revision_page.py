"""The page of a revision: what was built, what must be settled before it is ridden, what was ridden, what broke."""

from __future__ import annotations

import uuid

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.failures.loop import States
from buildlog.failures.queries import failure_list, hazards_of
from buildlog.machines.limits import Ride, limits_of
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from buildlog.machines.seen_voltages import seen_voltages
from buildlog.machines.space import Space
from buildlog.photos.models import Photo
from calc.results import grouped
from sessions.bench.release import release_state
from sessions.drawing.machine_views import machine_views
from sessions.evidence.headline import limit_bars
from sessions.outings.machine_pages import NEWEST, NEWEST_SESSIONS
from sessions.outings.machine_queries import load_of


@require_safe
def revision(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    revision = get_object_or_404(Revision.objects.select_related("vehicle__assumptions", "parent__vehicle"), pk=pk)
    machine = Machine.in_line(revision, seen_voltages(revision.vehicle))
    load_kg = load_of(revision)
    space = Space(machine, load_kg)
    # Range rests on how the machine is ridden: the bench has it.
    results = [result for result in limits_of(machine, Ride(space.load_kg)) if result.key != "range"]
    failures = list(failure_list().filter(revision=revision)[: NEWEST + 1])
    # All failures of the machine are one another's evidence: they are weighed once for the list and for the release.
    states = States([revision.vehicle]) if failures else None
    if states is not None:
        states.note_on(failures)
    hazards = hazards_of([revision.vehicle_id], states).get(revision.vehicle_id, [])
    sessions = list(revision.sessions.select_related("venue")[: NEWEST_SESSIONS + 1])
    context = {
        "revision": revision,
        "machine": machine,
        "space": space,
        "release": release_state(revision, machine=machine, load_kg=load_kg, hazards=hazards),
        "views": machine_views(space),
        "nearest": limit_bars(results),
        "groups": grouped(results),
        "result_count": sum(result.value is not None for result in results),
        "missing": [result for result in results if result.value is None],
        "modifications": revision.modifications.prefetch_related("answers__mode", "answers__revision__vehicle"),
        "failures": failures[:NEWEST],
        "more_failures": len(failures) > NEWEST,
        "sessions": sessions[:NEWEST_SESSIONS],
        "more_sessions": len(sessions) > NEWEST_SESSIONS,
        "photos": Photo.objects.filter(revision=revision),
    }
    return render(request, "machines/revision.html", context)
