"""Pages of pieces: what each went through, where it was fitted, and what is due of it."""

from __future__ import annotations

import uuid

from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.machines.individuals import Individual, IndividualFitting
from buildlog.machines.models import Part
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.pages import change_record, remove_record, write_record
from buildlog.upkeep.due import Upkeep, places_of
from buildlog.upkeep.forms import IndividualFittingForm, IndividualForm
from buildlog.upkeep.pages import rows_of
from buildlog.upkeep.rides import MachineRides


@require_safe
def individual(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """A piece with what it went through on all machines."""
    piece = get_object_or_404(Individual.objects.select_related("part"), pk=pk)
    places = places_of(Q(individual=piece))
    rides = MachineRides.of_machines({place.fitting.revision.vehicle_id for place in places})
    due = Upkeep.of_pieces([piece.pk], rides).of_piece(piece.pk)
    context = {
        "piece": piece,
        "use": rides.of_individual(piece, places),
        "places": [(place, rides.of_individual_at(piece, place)) for place in reversed(places)],
        "rows": rows_of(due, request.user.unit_system),
    }
    return render(request, "upkeep/individual.html", context)


@form_page
@needs(Right.BUILD)
def new_individual(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    part = get_object_or_404(Part, pk=pk)
    back = part.get_absolute_url()
    return write_record(request, IndividualForm, Individual(part=part), title=f"New piece: {part}", back=back)


@form_page
@needs(Right.BUILD)
def edit_individual(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(request, IndividualForm, Individual.objects.select_related("part"), pk)


@form_page
@needs(Right.BUILD)
def remove_individual(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    piece = get_object_or_404(Individual.objects.select_related("part"), pk=pk)
    return remove_record(request, piece, back=piece.get_absolute_url(), after=piece.part.get_absolute_url())


@form_page
@needs(Right.BUILD)
def new_place(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    piece = get_object_or_404(Individual.objects.select_related("part"), pk=pk)
    back = piece.get_absolute_url()
    place = IndividualFitting(individual=piece)
    return write_record(request, IndividualFittingForm, place, title=f"Fit {piece}", back=back)


@form_page
@needs(Right.BUILD)
def edit_place(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = IndividualFitting.objects.select_related("individual__part", "fitting__revision__vehicle", "fitting__part")
    return change_record(request, IndividualFittingForm, rows, pk)


@form_page
@needs(Right.BUILD)
def remove_place(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = IndividualFitting.objects.select_related("individual__part", "fitting__revision__vehicle")
    place = get_object_or_404(rows, pk=pk)
    return remove_record(request, place, back=place.get_absolute_url(), after=place.get_absolute_url())
