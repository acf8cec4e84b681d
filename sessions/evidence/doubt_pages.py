"""The list of a machine's doubts, and the two answers to one: mended, or "it is so"."""

from __future__ import annotations

import uuid
from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.http import Http404, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_http_methods, require_safe

from buildlog.machines.confirmations import Confirmation, confirm
from buildlog.machines.doubt_facts import MODULE_MASS, ON_PARTS, ON_REVISION, part_of
from buildlog.machines.machine import Machine
from buildlog.machines.models import Part, Revision, Vehicle
from buildlog.people.roles import Right, has_right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records import history
from buildlog.records.list_pages import ROWS_AT_ONCE, ListPage
from buildlog.records.removal import into_trash
from calc.doubts.check import Mend
from calc.quantities import written
from sessions.evidence.doubts import (
    MODEL_OF,
    ORDER,
    MachineDoubts,
    OpenDoubt,
    Place,
    doubts_about,
    doubts_of_machine,
)

END = "end"
"""In the place of a record: after the last."""


@require_safe
def vehicle_doubts(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """What of a machine's records cannot be, or hardly can be; and what somebody confirmed."""
    vehicle = get_object_or_404(Vehicle, pk=pk)
    doubts = doubts_of_machine(vehicle)
    system = request.user.unit_system
    page = _page(doubts, request.GET)
    context = {
        "vehicle": vehicle,
        "page": page,
        "doubts": doubts.listed(system, page.rows),
        "confirmed": doubts.listed_as_confirmed(system),
        "record_count": doubts.open_count,
    }
    return render(request, "evidence/doubts.html", context)


def _page(doubts: MachineDoubts, asked: Mapping[str, str]) -> ListPage:
    """The records that an address asks for by `before=` or `after=` one of them; the first by default.

    One that was answered meanwhile is still a place in the order.
    """
    records = doubts.open_records
    order = [(ORDER.index(subject), row) for subject, row in records]
    begins = 0
    if place := _place(doubts, asked.get("after", "")):
        begins = bisect_right(order, place)
    elif place := _place(doubts, asked.get("before", "")):
        begins = bisect_left(order, place) - ROWS_AT_ONCE
    elif asked.get("before") == END:
        begins = len(records) - ROWS_AT_ONCE
    begins = max(0, begins if begins < len(records) else len(records) - ROWS_AT_ONCE)
    shown = records[begins : begins + ROWS_AT_ONCE]
    return ListPage(
        shown,
        newer=_text_of(doubts, shown[0]) if begins else "",
        older=_text_of(doubts, shown[-1]) if begins + len(shown) < len(records) else "",
    )


def _text_of(doubts: MachineDoubts, place: Place) -> str:
    return f"{place.subject}_{doubts.rows(place.subject).key(place.row).hex}"


def _place(doubts: MachineDoubts, text: str) -> tuple[int, int] | None:
    """The place of a record in the order of lists, or None for what is none."""
    subject, _, key = text.partition("_")
    try:
        row = doubts.rows(subject).row_of(uuid.UUID(key)) if subject in ORDER else None
    except ValueError:
        return None
    return None if row is None else (ORDER.index(subject), row)


def _record(request: SignedInRequest, subject: str, pk: uuid.UUID) -> Any:
    """The record, for somebody who may change it. Raises Http404 or PermissionDenied."""
    model = MODEL_OF.get(subject)
    if model is None:
        raise Http404
    if subject == "build" and not has_right(request.user, Right.BUILD):
        raise PermissionDenied("Only a builder or an owner changes a build.")
    record: Any = get_object_or_404(model, pk=pk)
    return record


def _open(request: SignedInRequest, record: Any) -> list[OpenDoubt]:
    """The record's open doubts that the form names; those that are not open any more are left out."""
    rules = request.POST.getlist("rule")
    listed = doubts_about(record).listed_of(record, request.user.unit_system)
    return [open_doubt for open_doubt in listed if open_doubt.doubt.key in rules]


def _back(request: SignedInRequest, record: Any) -> HttpResponseRedirect:
    """To the page on which the doubt was answered."""
    page = request.POST.get("back", "")
    if url_has_allowed_host_and_scheme(page, allowed_hosts=None) and page.startswith("/"):
        return redirect(page)
    return redirect(record.get_absolute_url())


@require_http_methods(["POST"])
@needs(Right.LOG)
def mend_doubt(request: SignedInRequest, subject: str, pk: uuid.UUID) -> HttpResponse:
    """Give a fact the value that was meant, as one of the doubt's buttons offered it."""
    record = _record(request, subject, pk)
    asked = (request.POST.get("fact", ""), request.POST.get("slip", ""))
    offered = [mend for open_doubt in _open(request, record) for mend in open_doubt.doubt.mends]
    mends = {(mend.fact.name, mend.slip.key): mend for mend in offered}
    mend = mends.get(asked)
    if mend is None:
        messages.warning(request, "Nothing was changed: this doubt is no longer open as it was shown.")
        return _back(request, record)
    try:
        words = _apply(record, mend, request.user.unit_system)
    except ValidationError as error:
        messages.warning(request, f"Nothing was changed. {' '.join(error.messages)}")
    else:
        messages.success(request, words)
    return _back(request, record)


def _apply(record: Any, mend: Mend, system: str) -> str:
    """Change the field, and say so. Raises ValidationError where the model refuses the value."""
    name = mend.fact.name
    with transaction.atomic():
        stored = type(record).objects.select_for_update().get(pk=record.pk)
        target, field, old = stored, name, None
        if isinstance(stored, Revision) and name not in ON_REVISION:
            target, field = _part(stored, name), ("mass_kg" if name == MODULE_MASS else "specification")
            target = Part.objects.select_for_update().get(pk=target.pk)
        with history.changing(target) as change:
            if field == "specification":
                key = ON_PARTS[name][1]
                old = target.specification.get(key)
                target.specification = {**target.specification, key: mend.value}
            else:
                old = getattr(target, field)
                setattr(target, field, mend.value)
            target.full_clean()
            target.save()
            change.fields = [field]
    label = mend.fact.label[:1].upper() + mend.fact.label[1:]
    before = "" if old is None else f" from {written(old, mend.fact.kind, system)}"
    return f"{label} changed{before} to {written(mend.value, mend.fact.kind, system)}: {mend.slip.words}."


def _part(revision: Revision, name: str) -> Part:
    category = "battery_module" if name == MODULE_MASS else ON_PARTS[name][0]
    part = part_of(Machine.in_line(revision), category)
    if part is None:
        raise ValidationError("Several kinds of this part are fitted. Change the one that is meant on its own page.")
    return part


@require_http_methods(["POST"])
@needs(Right.LOG)
def confirm_doubt(request: SignedInRequest, subject: str, pk: uuid.UUID) -> HttpResponse:
    """Keep who says that it is so, when and why."""
    record = _record(request, subject, pk)
    open_doubts = _open(request, record)
    reason = request.POST.get("reason", "").strip()[:300]
    if not open_doubts:
        messages.warning(request, "Nothing was stored: this doubt is no longer open as it was shown.")
        return _back(request, record)
    if not reason:
        messages.warning(request, "Say why it is so, for example: read again on the meter.")
        return _back(request, record)
    for open_doubt in open_doubts:
        confirm(
            subject,
            record.pk,
            open_doubt.doubt.key,
            vehicle=_vehicle(record),
            values=open_doubt.doubt.values,
            reason=reason,
            confirmed_by=request.user.get_username(),
        )
    messages.success(request, f"Kept: it is so. {reason}")
    return _back(request, record)


def _vehicle(record: Any) -> Vehicle:
    if isinstance(record, Revision):
        return record.vehicle
    revision: Revision = record.revision if hasattr(record, "revision_id") else record.session.revision
    return revision.vehicle


@require_http_methods(["POST"])
@needs(Right.LOG)
def ask_again(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Take a confirmation back, so that the doubt is open again."""
    confirmation = get_object_or_404(Confirmation.objects.select_related("vehicle"), pk=pk)
    if confirmation.subject == "build" and not has_right(request.user, Right.BUILD):
        raise PermissionDenied("Only a builder or an owner changes a build.")
    with transaction.atomic():
        into_trash(confirmation)
    messages.success(request, "Taken back: the doubt is open again.")
    return redirect("vehicle_doubts", confirmation.vehicle_id)
