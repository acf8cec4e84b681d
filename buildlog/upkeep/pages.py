"""Pages of upkeep: what is due of a machine, what is done, and when it was."""

from __future__ import annotations

import uuid

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.machines.individuals import Individual
from buildlog.machines.models import Vehicle
from buildlog.machines.queries import current_revision
from buildlog.people import current_account
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.pages import change_record, remove_record, write_record
from buildlog.upkeep.due import Due, Upkeep
from buildlog.upkeep.forms import UpkeepCheckForm, UpkeepItemForm
from buildlog.upkeep.models import UpkeepCheck, UpkeepItem


@require_safe
def vehicle_upkeep(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """What is due of a machine as it is now, and the pieces on it."""
    vehicle = get_object_or_404(Vehicle, pk=pk)
    revision = current_revision(vehicle)
    upkeep = Upkeep([vehicle.pk])
    due = upkeep.on(revision) if revision is not None else []
    shown = {row.item.pk for row in due}
    pieces = Individual.objects.filter(places__fitting__revision=revision).select_related("part").distinct()
    context = {
        "vehicle": vehicle,
        "revision": revision,
        "due": [row for row in due if row.is_due],
        "rows": rows_of(due, request.user.unit_system),
        "elsewhere": [item for item in upkeep.items if item.pk not in shown],
        "pieces": pieces.order_by("part__name", "serial") if revision is not None else [],
    }
    return render(request, "upkeep/vehicle_upkeep.html", context)


def rows_of(due: list[Due], system: str) -> list[dict[str, object]]:
    """What a table shows of each."""
    return [
        {"due": row, "what": row.what(system), "often": row.often(system), "since": row.since(system)} for row in due
    ]


def _kind(kind: str) -> UpkeepItem.Kind:
    if kind not in UpkeepItem.Kind.values:
        raise Http404(f"There is no upkeep of the kind {kind}.")
    return UpkeepItem.Kind(kind)


@form_page
@needs(Right.BUILD)
def new_upkeep_item(request: SignedInRequest, pk: uuid.UUID, kind: str) -> HttpResponse:
    vehicle = get_object_or_404(Vehicle, pk=pk)
    item = UpkeepItem(vehicle=vehicle, kind=_kind(kind))
    return _new_item(request, item, f"{item.get_kind_display()}: {vehicle}")


@form_page
@needs(Right.BUILD)
def new_piece_upkeep(request: SignedInRequest, pk: uuid.UUID, kind: str) -> HttpResponse:
    individual = get_object_or_404(Individual.objects.select_related("part"), pk=pk)
    item = UpkeepItem(individual=individual, kind=_kind(kind))
    return _new_item(request, item, f"{item.get_kind_display()}: {individual}")


def _new_item(request: SignedInRequest, item: UpkeepItem, title: str) -> HttpResponse:
    return write_record(request, UpkeepItemForm, item, title=title, back=item.get_absolute_url())


@form_page
@needs(Right.BUILD)
def edit_upkeep_item(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(request, UpkeepItemForm, UpkeepItem.objects.select_related("vehicle", "individual__part"), pk)


@form_page
@needs(Right.BUILD)
def remove_upkeep_item(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    item = get_object_or_404(UpkeepItem, pk=pk)
    return remove_record(request, item, back=item.get_absolute_url(), after=item.get_absolute_url())


@form_page
@needs(Right.LOG)
def new_upkeep_check(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    item = get_object_or_404(UpkeepItem.objects.select_related("vehicle", "individual__part"), pk=pk)
    account = current_account.account()
    return write_record(
        request,
        UpkeepCheckForm,
        UpkeepCheck(item=item),
        title=f"Done: {item}",
        back=item.get_absolute_url(),
        initial={"done_by": account.username if account else ""},
    )


@form_page
@needs(Right.LOG)
def edit_upkeep_check(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(request, UpkeepCheckForm, UpkeepCheck.objects.select_related("item"), pk)


@form_page
@needs(Right.LOG)
def remove_upkeep_check(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    check = get_object_or_404(UpkeepCheck.objects.select_related("item"), pk=pk)
    return remove_record(request, check, back=check.get_absolute_url(), after=check.get_absolute_url())
