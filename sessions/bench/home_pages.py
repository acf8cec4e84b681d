"""The first page: what to do next with the machine, how its last session went, and what is open."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.hosting.backups.warnings import warnings_here
from buildlog.machines.chosen_machine import chosen, machines_for
from buildlog.machines.models import Vehicle
from buildlog.people.roles import Right, has_right
from buildlog.people.signed_in import SignedInRequest
from sessions.bench.now import now_of
from sessions.outings.first_steps import first_steps


@require_safe
def home(request: SignedInRequest) -> HttpResponse:
    """Of the machine in the address, or of the chosen one; a log without a session is led to its first."""
    machines = machines_for(request)
    asked = next((row for row in machines if str(row.pk) == request.GET.get("machine")), None)
    machine = asked or chosen(request, machines)
    context: dict[str, Any] = {"upkeep_warnings": warnings_here() if has_right(request.user, Right.ADMIT) else []}
    if machine is None:
        return render(request, "bench/first_steps.html", context | {"steps": first_steps(None)})
    vehicle = Vehicle.objects.select_related("assumptions").get(pk=machine.pk)
    now = now_of(vehicle, request.user.unit_system)
    context |= {"vehicle": vehicle, "others": [row for row in machines if row.pk != machine.pk]}
    if now.last is None:
        return render(request, "bench/first_steps.html", context | {"steps": first_steps(vehicle)})
    return render(request, "bench/now.html", context | {"now": now})
