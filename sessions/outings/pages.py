"""Pages of sessions, venues and what was timed and read."""

from __future__ import annotations

import uuid

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from buildlog.machines.models import Vehicle
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.pages import change_record, remove_record, write_record
from sessions.outings import queries
from sessions.outings.first_steps import next_step_address
from sessions.outings.forms import AssumptionsForm
from sessions.outings.models import Assumptions, Gate, Pass, Reading, Session, Venue, VoiceNote
from sessions.outings.place_forms import GateForm, NewVenueForm, VenueForm


@form_page
@needs(Right.LOG)
def remove_session(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    session = get_object_or_404(Session.objects.select_related("revision__vehicle", "venue"), pk=pk)
    return remove_record(request, session, back=session.get_absolute_url(), after=reverse("sessions"))


@needs(Right.LOG)
@require_safe
def time_video(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Time a pass on a clip, frame by frame; the clip stays on the device, the times go to the form of a new pass."""
    rows = Session.objects.select_related("revision__vehicle", "venue").prefetch_related("venue__gates__marks")
    session = get_object_or_404(rows, pk=pk)
    last = session.passes.order_by("-number").first()
    gates = [
        {"id": str(gate.pk), "name": gate.name, "positions_m": gate.positions_m}
        for gate in session.venue.gates.all()
        if gate.length_m > 0
    ]
    direction = Pass.Direction.OUT
    if last is not None and last.direction == Pass.Direction.OUT:
        direction = Pass.Direction.BACK
    context = {"session": session, "gates": gates, "directions": Pass.Direction.choices, "direction": direction}
    return render(request, "outings/video.html", context)


@form_page
@needs(Right.LOG)
def remove_pass(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    run = get_object_or_404(Pass.objects.select_related("session"), pk=pk)
    back = run.session.get_absolute_url()
    return remove_record(request, run, back=back, after=back)


@form_page
@needs(Right.LOG)
def remove_voice_note(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    note = get_object_or_404(VoiceNote.objects.select_related("session"), pk=pk)
    back = note.session.get_absolute_url()
    return remove_record(request, note, back=back, after=back)


@form_page
@needs(Right.LOG)
def remove_reading(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    reading = get_object_or_404(Reading.objects.select_related("session"), pk=pk)
    back = reading.session.get_absolute_url()
    return remove_record(request, reading, back=back, after=back)


@require_safe
def venues(request: SignedInRequest) -> HttpResponse:
    return render(request, "outings/venues.html", {"venues": queries.venue_rows()})


@require_safe
def venue(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    venue = get_object_or_404(Venue.objects.prefetch_related("gates__marks"), pk=pk)
    return render(request, "outings/venue.html", {"venue": venue})


@form_page
@needs(Right.LOG)
def new_venue(request: SignedInRequest) -> HttpResponse:
    """A new venue with its first gate; while the log is empty, the first session comes next."""
    return write_record(
        request,
        NewVenueForm,
        Venue(),
        title="New venue",
        back=reverse("venues"),
        after=reverse("new_session") if next_step_address(None) else None,
    )


@form_page
@needs(Right.LOG)
def edit_venue(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(request, VenueForm, Venue.objects.all(), pk, list_page="venues")


@form_page
@needs(Right.LOG)
def remove_venue(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    venue = get_object_or_404(Venue, pk=pk)
    return remove_record(request, venue, back=venue.get_absolute_url(), after=reverse("venues"))


@form_page
@needs(Right.LOG)
def new_gate(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    venue = get_object_or_404(Venue, pk=pk)
    return write_record(
        request, GateForm, Gate(venue=venue), title=f"New gate at {venue}", back=venue.get_absolute_url()
    )


@form_page
@needs(Right.LOG)
def edit_gate(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Gate.objects.select_related("venue").prefetch_related("marks")
    return change_record(request, GateForm, rows, pk)


@form_page
@needs(Right.LOG)
def remove_gate(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    gate = get_object_or_404(Gate.objects.select_related("venue"), pk=pk)
    back = gate.get_absolute_url()
    return remove_record(request, gate, back=back, after=back)


@form_page
@needs(Right.BUILD)
def assumptions(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Assumptions about a vehicle's measurements."""
    vehicle = get_object_or_404(Vehicle, pk=pk)
    back = vehicle.get_absolute_url()
    return write_record(
        request,
        AssumptionsForm,
        Assumptions.of(vehicle),
        title=f"Measuring assumptions for {vehicle}",
        back=back,
        after=back,
    )
