"""The page that compares revisions."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Any

from django.http import HttpResponse, QueryDict
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.failures.models import Modification
from buildlog.machines.models import Revision, Vehicle
from buildlog.people.signed_in import SignedInRequest
from sessions.drawing.figures import map_style_id
from sessions.outings.models import Pass, Session, Venue
from sessions.trials.compared_revisions import FIRST_MEASURES, MEASURES, Comparison, Measure
from sessions.trials.compared_revisions import compare as compare_revisions
from sessions.trials.figures import page_figures
from sessions.trials.matching import Matching

MOST_REVISIONS = 12


@dataclass
class ComparisonQuery:
    """The comparison that an address describes; addresses can be bookmarked and sent."""

    vehicle: Vehicle | None
    revisions: list[Revision]
    chosen: list[Revision]
    measures: tuple[Measure, ...]
    matching: Matching
    notes: list[str]
    is_chosen: bool
    """Whether the address names revisions or measures; otherwise the machine's own questions are answered."""

    def comparison(self, system: str, names_places: bool = True) -> Comparison | None:
        if self.vehicle is None or not self.chosen:
            return None
        own = (
            None
            if self.is_chosen
            else list(
                Modification.objects.filter(revision__vehicle=self.vehicle).order_by("-revision__number", "title")
            )
        )
        return compare_revisions(self.vehicle, self.chosen, self.matching, system, self.measures, own, names_places)


def read_address(query: QueryDict, vehicles: list[Vehicle], system: str) -> ComparisonQuery:
    vehicle_key = query.get("vehicle", "")
    vehicle = next((candidate for candidate in vehicles if str(candidate.pk) == vehicle_key), None)
    matching, notes = Matching.of(query, system)
    if vehicle_key and vehicle is None:
        notes.append("That machine does not exist. Choose one from the list.")
    if vehicle is None and len(vehicles) == 1:
        vehicle = vehicles[0]
    revisions = list(Revision.objects.filter(vehicle=vehicle).select_related("vehicle").order_by("number"))
    revision_keys = list(dict.fromkeys(key for key in query.getlist("revision") if _is_key(key)))
    chosen = [revision for revision in revisions if str(revision.pk) in revision_keys]
    if len(revision_keys) > len(chosen):
        notes.append("A revision in the address does not belong to this machine, and is left out.")
    if not query.getlist("revision"):
        chosen = [revision for revision in revisions if revision.status != Revision.Status.PLANNED]
    everything = query.get("all") == "yes"
    if len(chosen) > MOST_REVISIONS and not everything:
        notes.append(f"The newest {MOST_REVISIONS} revisions are compared at once; ask for all of them below.")
        chosen = chosen[-MOST_REVISIONS:]
    keys = query.getlist("measure")
    measures = tuple(measure for measure in MEASURES if measure.key in keys) or FIRST_MEASURES
    is_chosen = bool(query.getlist("revision") or keys or everything)
    return ComparisonQuery(vehicle, revisions, chosen, measures, matching, notes, is_chosen)


@require_safe
def compare(request: SignedInRequest) -> HttpResponse:
    """Choose a machine and revisions; the choice is in the address, so it can be bookmarked and sent."""
    vehicles = list(Vehicle.objects.select_related("assumptions"))
    system = request.user.unit_system
    query = read_address(request.GET, vehicles, system)
    compared = query.comparison(system)
    context: dict[str, Any] = {
        "vehicles": vehicles,
        "vehicle": query.vehicle,
        "revisions": query.revisions,
        "newest_first": [row for row in reversed(query.revisions) if row.status != Revision.Status.PLANNED],
        "changes": _changes_of(compared),
        "chosen": {revision.pk for revision in query.chosen},
        "too_many": len(query.revisions) > MOST_REVISIONS,
        "surfaces": Session.Surface.choices,
        "directions": Pass.Direction.choices,
        "venues": Venue.objects.filter(sessions__revision__vehicle=query.vehicle).distinct() if query.vehicle else (),
        "measures": MEASURES,
        "chosen_measures": {measure.key for measure in query.measures},
        "is_chosen": query.is_chosen,
        "matching": query.matching,
        "typed": request.GET,
        "comparison": compared,
        "figures": page_figures(compared, system) if compared else {},
        "map_style_id": map_style_id() if compared else "",
        "notes": query.notes,
        "query": request.GET.urlencode(),
    }
    return render(request, "trials/compare.html", context)


def _changes_of(compared: Comparison | None) -> list[Modification]:
    """What made the newer of the two revisions that stand beside each other."""
    if compared is None or not compared.beside:
        return []
    return list(Modification.objects.filter(revision=compared.beside[-1]).order_by("title"))


def _is_key(text: str) -> bool:
    try:
        return str(uuid.UUID(text)) == text
    except ValueError:
        return False
