"""Pages of vehicles and their revisions."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from buildlog import queries
from buildlog.backups.standing import warning_here
from buildlog.carry_over import carry_fittings_over, next_revision
from buildlog.difference import difference
from buildlog.forms import FittingForm, ModificationForm, RevisionForm, VehicleForm
from buildlog.machine import Machine
from buildlog.models import Failure, Fitting, Modification, Revision, Vehicle
from buildlog.record_pages import change_record, remove_record, write_record
from buildlog.roles import Right, has_right, needs
from buildlog.seen_voltages import seen_voltages

form_page = require_http_methods(["GET", "HEAD", "POST"])


@require_safe
def home(request: HttpRequest) -> HttpResponse:
    warning = warning_here() if has_right(request.user, Right.ADMIT) else ""
    return render(request, "buildlog/home.html", {"vehicles": queries.vehicles(), "upkeep_warning": warning})


@require_safe
def more(request: HttpRequest) -> HttpResponse:
    return render(request, "buildlog/more.html")


@form_page
@needs(Right.BUILD)
def new_vehicle(request: HttpRequest) -> HttpResponse:
    return write_record(request, VehicleForm, Vehicle(), title="New machine", back=reverse("home"))


@form_page
@needs(Right.BUILD)
def edit_vehicle(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(request, VehicleForm, Vehicle.objects.all(), pk, list_page="home")


@form_page
@needs(Right.BUILD)
def remove_vehicle(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Vehicle, pk=pk)
    return remove_record(request, found, back=found.get_absolute_url(), after=reverse("home"))


@require_safe
def vehicle(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Vehicle, pk=pk)
    revisions = queries.revision_rows(found)
    open_failures = queries.failures().filter(revision__vehicle=found).exclude(state=Failure.State.HELD)
    seen = seen_voltages(found)
    built = [one for one in reversed(queries.read_line(found)) if one.status != Revision.Status.RETIRED]
    warnings = [(one.label, alarm) for one in built for alarm in Machine(one, seen=seen).warnings]
    context = {"vehicle": found, "revisions": revisions, "open_failures": open_failures, "warnings": warnings}
    return render(request, "buildlog/vehicle.html", context)


@form_page
@needs(Right.BUILD)
def new_revision(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    """A revision like the newest one; saving it carries the parent's fittings over."""
    vehicle = get_object_or_404(Vehicle, pk=pk)
    revision = next_revision(vehicle)
    form = RevisionForm(request.POST or None, instance=revision, unit_system=request.user.unit_system)
    if request.method == "POST" and form.is_valid():
        saved = form.save()
        carried = carry_fittings_over(saved)
        messages.success(request, f"{saved.label} made; {carried} fittings carried over from its parent.")
        return redirect(saved)
    context = {"form": form, "heading": f"New revision of {vehicle}", "back": vehicle.get_absolute_url()}
    return render(request, "buildlog/record_form.html", context, status=422 if form.is_bound else 200)


@require_safe
def revision(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Revision.objects.select_related("vehicle", "parent__vehicle"), pk=pk)
    queries.read_line(found.vehicle)
    context = {
        "revision": found,
        "machine": Machine.in_line(found, seen_voltages(found.vehicle)),
        "modifications": found.modifications.prefetch_related("answers__mode", "answers__revision__vehicle"),
        "failures": queries.failures().filter(revision=found),
        "sessions": found.sessions.select_related("venue"),
        "photos": queries.photos_of(revision=found),
    }
    return render(request, "buildlog/revision.html", context)


@form_page
@needs(Right.BUILD)
def edit_revision(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Revision.objects.select_related("vehicle")
    return change_record(request, RevisionForm, rows, pk, list_page="home", made=carry_fittings_over)


@form_page
@needs(Right.BUILD)
def remove_revision(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Revision.objects.select_related("vehicle"), pk=pk)
    return remove_record(request, found, back=found.get_absolute_url(), after=found.vehicle.get_absolute_url())


@require_safe
def revision_difference(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    """What changed between two revisions; `from` and `to` are revision numbers."""
    vehicle = get_object_or_404(Vehicle, pk=pk)
    revisions = {revision.number: revision for revision in queries.read_line(vehicle)}
    chosen = [revisions.get(_number(request.GET.get(name))) for name in ("from", "to")]
    before, after = chosen
    context: dict[str, object] = {"vehicle": vehicle, "revisions": revisions.values(), "before": before, "after": after}
    if before and after:
        context["difference"] = difference(Machine(before), Machine(after), request.user.unit_system)
    elif any(request.GET.get(name) for name in ("from", "to")):
        context["unknown"] = True
    return render(request, "buildlog/difference.html", context)


def _number(text: str | None) -> int:
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 6 else 0


def _revision_page(record: Fitting | Modification) -> str:
    return record.revision.get_absolute_url()


@form_page
@needs(Right.BUILD)
def new_fitting(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Revision.objects.select_related("vehicle"), pk=pk)
    back = found.get_absolute_url()
    return write_record(
        request, FittingForm, Fitting(revision=found), title=f"Fit a part to {found}", back=back, after=back
    )


@form_page
@needs(Right.BUILD)
def edit_fitting(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Fitting.objects.select_related("revision__vehicle", "part")
    return change_record(
        request, FittingForm, rows, pk, title=lambda found: f"{found.part} on {found.revision}", back=_revision_page
    )


@form_page
@needs(Right.BUILD)
def remove_fitting(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    fitting = get_object_or_404(Fitting.objects.select_related("revision__vehicle", "part"), pk=pk)
    back = fitting.revision.get_absolute_url()
    return remove_record(request, fitting, back=back, after=back)


@form_page
@needs(Right.BUILD)
def new_modification(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Revision.objects.select_related("vehicle"), pk=pk)
    back = found.get_absolute_url()
    initial = {"answers": request.GET.getlist("answers")} if request.method == "GET" else None
    return write_record(
        request,
        ModificationForm,
        Modification(revision=found),
        title=f"What was changed for {found}",
        back=back,
        after=back,
        initial=initial,
    )


@form_page
@needs(Right.BUILD)
def edit_modification(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Modification.objects.select_related("revision__vehicle")
    return change_record(request, ModificationForm, rows, pk, title=lambda found: f"Edit: {found}", back=_revision_page)


@form_page
@needs(Right.BUILD)
def remove_modification(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Modification.objects.select_related("revision__vehicle"), pk=pk)
    back = found.revision.get_absolute_url()
    return remove_record(request, found, back=back, after=back)
