"""The page that compares revisions."""

from __future__ import annotations

import uuid

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.models import Revision, Vehicle
from sessions.comparison import compare as compare_revisions
from sessions.figures import map_style_id, page_figures
from sessions.models import Session

MOST_REVISIONS = 12


@require_safe
def compare(request: HttpRequest) -> HttpResponse:
    """Choose a machine and revisions; the choice is in the address, so it can be kept and sent."""
    vehicles = list(Vehicle.objects.all())
    asked = request.GET.get("vehicle", "")
    vehicle = next((found for found in vehicles if str(found.pk) == asked), None)
    notes = []
    if asked and vehicle is None:
        notes.append("That machine does not exist. Choose one from the list.")
    if vehicle is None and len(vehicles) == 1:
        vehicle = vehicles[0]
    revisions = list(Revision.objects.filter(vehicle=vehicle).select_related("vehicle").order_by("number"))
    wanted = [key for key in request.GET.getlist("revision") if _is_key(key)]
    chosen = [revision for revision in revisions if str(revision.pk) in wanted]
    if len(wanted) > len(chosen):
        notes.append("A revision that was asked for does not belong to this machine, and is left out.")
    if not request.GET.getlist("revision"):
        chosen = [revision for revision in revisions if revision.status != Revision.Status.PLANNED]
    if len(chosen) > MOST_REVISIONS:
        notes.append(f"The newest {MOST_REVISIONS} revisions are compared at once.")
        chosen = chosen[-MOST_REVISIONS:]
    surface = request.GET.get("surface", "")
    if surface not in Session.Surface.values:
        surface = ""
    system = request.user.unit_system
    compared = compare_revisions(vehicle, chosen, surface, system) if vehicle and chosen else None
    context = {
        "vehicles": vehicles,
        "vehicle": vehicle,
        "revisions": revisions,
        "chosen": {revision.pk for revision in chosen},
        "surfaces": Session.Surface.choices,
        "surface": surface,
        "comparison": compared,
        "figures": page_figures(compared, system) if compared else {},
        "map_style_id": map_style_id() if compared else "",
        "notes": notes,
    }
    return render(request, "sessions/compare.html", context)


def _is_key(text: str) -> bool:
    try:
        return str(uuid.UUID(text)) == text
    except ValueError:
        return False
