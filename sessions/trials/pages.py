"""The page that compares revisions."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Any

from django.http import HttpResponse, QueryDict
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.machines.models import Revision, Vehicle
from buildlog.people.signed_in import SignedInRequest
from calc.comparison import ADJUSTMENT_ASSUMPTIONS
from sessions.drawing.figures import map_style_id
from sessions.outings.models import Pass, Session, Venue
from sessions.trials.compared_revisions import COVARIATES, FIRST_MEASURES, MEASURES, Comparison, Measure
from sessions.trials.compared_revisions import compare as compare_revisions
from sessions.trials.figures import page_figures
from sessions.trials.matching import Matching

MOST_REVISIONS = 12


@dataclass
class Asked:
    """What an address asks to be compared; addresses can be kept, sent and shared."""

    vehicle: Vehicle | None
    revisions: list[Revision]
    chosen: list[Revision]
    measures: tuple[Measure, ...]
    matching: Matching
    covariate: str
    notes: list[str]

    def comparison(self, system: str) -> Comparison | None:
        if self.vehicle is None or not self.chosen:
            return None
        return compare_revisions(self.vehicle, self.chosen, self.matching, system, self.measures, self.covariate)


def read_address(query: QueryDict, vehicles: list[Vehicle], system: str) -> Asked:
    asked = query.get("vehicle", "")
    vehicle = next((found for found in vehicles if str(found.pk) == asked), None)
    matching, notes = Matching.of(query, system)
    if asked and vehicle is None:
        notes.append("That machine does not exist. Choose one from the list.")
    if vehicle is None and len(vehicles) == 1:
        vehicle = vehicles[0]
    revisions = list(Revision.objects.filter(vehicle=vehicle).select_related("vehicle").order_by("number"))
    wanted = [key for key in query.getlist("revision") if _is_key(key)]
    chosen = [revision for revision in revisions if str(revision.pk) in wanted]
    if len(wanted) > len(chosen):
        notes.append("A revision that was asked for does not belong to this machine, and is left out.")
    if not query.getlist("revision"):
        chosen = [revision for revision in revisions if revision.status != Revision.Status.PLANNED]
    everything = query.get("all") == "yes"
    if len(chosen) > MOST_REVISIONS and not everything:
        notes.append(f"The newest {MOST_REVISIONS} revisions are compared at once; ask for all of them below.")
        chosen = chosen[-MOST_REVISIONS:]
    keys = query.getlist("measure")
    measures = tuple(one for one in MEASURES if one.key in keys) or FIRST_MEASURES
    covariate = query.get("covariate", "")
    return Asked(vehicle, revisions, chosen, measures, matching, covariate if covariate in COVARIATES else "", notes)


@require_safe
def compare(request: SignedInRequest) -> HttpResponse:
    """Choose a machine and revisions; the choice is in the address, so it can be kept and sent."""
    vehicles = list(Vehicle.objects.all())
    system = request.user.unit_system
    asked = read_address(request.GET, vehicles, system)
    compared = asked.comparison(system)
    context: dict[str, Any] = {
        "vehicles": vehicles,
        "vehicle": asked.vehicle,
        "revisions": asked.revisions,
        "chosen": {revision.pk for revision in asked.chosen},
        "too_many": len(asked.revisions) > MOST_REVISIONS,
        "surfaces": Session.Surface.choices,
        "directions": Pass.Direction.choices,
        "venues": Venue.objects.filter(sessions__revision__vehicle=asked.vehicle).distinct() if asked.vehicle else (),
        "measures": MEASURES,
        "chosen_measures": {one.key for one in asked.measures},
        "covariates": [(name, label) for name, (label, _) in COVARIATES.items()],
        "covariate": asked.covariate,
        "assumed": ADJUSTMENT_ASSUMPTIONS,
        "matching": asked.matching,
        "typed": request.GET,
        "comparison": compared,
        "figures": page_figures(compared, system) if compared else {},
        "map_style_id": map_style_id() if compared else "",
        "notes": asked.notes,
        "query": request.GET.urlencode(),
    }
    return render(request, "trials/compare.html", context)


def _is_key(text: str) -> bool:
    try:
        return str(uuid.UUID(text)) == text
    except ValueError:
        return False
