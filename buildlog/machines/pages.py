"""Pages of vehicles and their revisions."""

from __future__ import annotations

import uuid

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from buildlog.machines import queries
from buildlog.machines.carry_over import carry_fittings_over
from buildlog.machines.difference import difference
from buildlog.machines.form_says import says_of_fitting
from buildlog.machines.forms import FittingForm, RevisionForm, VehicleForm
from buildlog.machines.machine import Machine
from buildlog.machines.models import Fitting, Revision, Vehicle
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.pages import ANOTHER, Then, change_record, remove_record, write_record


@form_page
@needs(Right.BUILD)
def new_vehicle(request: SignedInRequest) -> HttpResponse:
    """A new machine; what it is made of is asked next."""
    vehicle = Vehicle()
    after = reverse("made_of", args=[vehicle.pk])
    return write_record(request, VehicleForm, vehicle, title="New machine", back=reverse("home"), after=after)


@form_page
@needs(Right.BUILD)
def edit_vehicle(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(request, VehicleForm, Vehicle.objects.all(), pk, list_page="home")


@form_page
@needs(Right.BUILD)
def remove_vehicle(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    vehicle = get_object_or_404(Vehicle, pk=pk)
    return remove_record(request, vehicle, back=vehicle.get_absolute_url(), after=reverse("home"))


@form_page
@needs(Right.BUILD)
def edit_revision(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Revision.objects.select_related("vehicle")
    return change_record(request, RevisionForm, rows, pk, list_page="home", on_created=carry_fittings_over)


@form_page
@needs(Right.BUILD)
def remove_revision(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    revision = get_object_or_404(Revision.objects.select_related("vehicle"), pk=pk)
    return remove_record(request, revision, back=revision.get_absolute_url(), after=revision.vehicle.get_absolute_url())


@require_safe
def revision_difference(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """What changed between two revisions; `from` and `to` are revision numbers."""
    vehicle = get_object_or_404(Vehicle, pk=pk)
    revisions = {revision.number: revision for revision in queries.read_line(vehicle)}
    chosen = [revisions.get(_number(request.GET.get(name))) for name in ("from", "to")]
    before, after = chosen
    if revisions and not (request.GET.get("from") or request.GET.get("to")):
        after = revisions[max(revisions)]
        before = next((row for row in revisions.values() if row.pk == after.parent_id), None)
    context: dict[str, object] = {"vehicle": vehicle, "revisions": revisions.values(), "before": before, "after": after}
    if before and after:
        context["difference"] = difference(Machine(before), Machine(after), request.user.unit_system)
    elif any(request.GET.get(name) for name in ("from", "to")):
        context["unknown"] = True
    return render(request, "machines/difference.html", context)


def _number(text: str | None) -> int:
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 6 else 0


@form_page
@needs(Right.BUILD)
def new_fitting(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    revision = get_object_or_404(Revision.objects.select_related("vehicle"), pk=pk)
    back = revision.get_absolute_url()
    return write_record(
        request,
        FittingForm,
        Fitting(revision=revision),
        title=f"Fit a part to {revision}",
        back=back,
        after=back,
        initial={"part": request.GET["part"]} if request.GET.get("part") else None,
        then=[Then(ANOTHER, "Save and fit another", request.path)],
        says=says_of_fitting,
    )


@form_page
@needs(Right.BUILD)
def edit_fitting(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Fitting.objects.select_related("revision__vehicle", "part")
    return change_record(
        request,
        FittingForm,
        rows,
        pk,
        title=lambda fitting: f"{fitting.part} on {fitting.revision}",
        back=lambda fitting: fitting.revision.get_absolute_url(),
        says=says_of_fitting,
    )


@form_page
@needs(Right.BUILD)
def remove_fitting(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    fitting = get_object_or_404(Fitting.objects.select_related("revision__vehicle", "part"), pk=pk)
    back = fitting.revision.get_absolute_url()
    return remove_record(request, fitting, back=back, after=back)
