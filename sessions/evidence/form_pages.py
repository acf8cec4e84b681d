"""The forms of sessions, passes and readings, which say what follows from them before they are saved."""

from __future__ import annotations

import uuid
from typing import Any

from django.db.models import Max
from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse

from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.pages import ANOTHER, Then, change_record, write_record
from sessions.evidence.form_says import says_of_pass, says_of_reading, says_of_session
from sessions.outings import queries
from sessions.outings.forms import PassForm, ReadingForm, SessionForm
from sessions.outings.models import Pass, Reading, Session


@form_page
@needs(Right.LOG)
def new_session(request: SignedInRequest) -> HttpResponse:
    """A new session; it starts with the newest riding revision and the place of the last outing."""
    revision_key = request.GET.get("revision")
    initial: dict[str, Any] = queries.likely_start()
    if revision_key:
        initial["revision"] = revision_key
    return write_record(
        request,
        SessionForm,
        Session(),
        title="Log a session",
        back=reverse("sessions"),
        initial=initial,
        says=says_of_session,
        then=[Then("pass", "Save and add a pass", lambda session: reverse("new_pass", args=[session.pk]))],
    )


@form_page
@needs(Right.LOG)
def edit_session(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """The session's form; the address may carry the length of a track, to be checked and saved."""
    rows = Session.objects.select_related("revision__vehicle", "venue")
    length = request.GET.get("distance_m", "")
    initial: dict[str, Any] = {}
    if length.isascii() and length.isdigit() and 0 < len(length) < 8:
        initial = {"distance_m": float(length), "distance_method": Session.DistanceMethod.SATELLITE}
    return change_record(request, SessionForm, rows, pk, list_page="sessions", initial=initial, says=says_of_session)


@form_page
@needs(Right.LOG)
def new_pass(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """A new pass, prefilled from the last one in the other direction."""
    session = get_object_or_404(Session.objects.select_related("revision__vehicle", "venue"), pk=pk)
    back = session.get_absolute_url()
    last = session.passes.order_by("-number").first()
    number = (session.passes.aggregate(Max("number"))["number__max"] or 0) + 1
    started = Pass(session=session, number=number)
    if last is not None:
        started.gate_id, started.method, started.frames_per_s = last.gate_id, last.method, last.frames_per_s
        started.direction = Pass.Direction.BACK if last.direction == Pass.Direction.OUT else Pass.Direction.OUT
    return write_record(
        request,
        PassForm,
        started,
        title=f"Pass {number}",
        back=back,
        after=back,
        says=says_of_pass,
        then=[Then(ANOTHER, "Save and add another", request.path)],
    )


@form_page
@needs(Right.LOG)
def edit_pass(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Pass.objects.select_related("session__venue", "gate")
    return change_record(request, PassForm, rows, pk, title=lambda run: f"Edit pass {run.number}", says=says_of_pass)


@form_page
@needs(Right.LOG)
def new_reading(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    session = get_object_or_404(Session.objects.select_related("revision__vehicle", "venue"), pk=pk)
    back = session.get_absolute_url()
    return write_record(
        request,
        ReadingForm,
        Reading(session=session),
        title="New reading",
        back=back,
        after=back,
        says=says_of_reading,
        then=[Then(ANOTHER, "Save and add another", request.path)],
    )


@form_page
@needs(Right.LOG)
def edit_reading(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Reading.objects.select_related("session")
    return change_record(request, ReadingForm, rows, pk, title=lambda reading: f"Edit: {reading}", says=says_of_reading)
