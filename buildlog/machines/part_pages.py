"""Pages of parts."""

from __future__ import annotations

import uuid
from urllib.parse import urlencode

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from buildlog.machines import queries
from buildlog.machines.forms import PartForm
from buildlog.machines.models import Part
from buildlog.machines.specifications import CATEGORIES
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.kept_forms import FOR, waiting_form
from buildlog.records.pages import change_record, remove_record


@require_safe
def parts(request: SignedInRequest) -> HttpResponse:
    context = {"parts": queries.parts(), "categories": CATEGORIES.values()}
    return render(request, "machines/parts.html", context)


@needs(Right.BUILD)
@require_safe
def new_part_kind(request: SignedInRequest) -> HttpResponse:
    """Which kind of part; a form that waits for it is passed on."""
    waiting = waiting_form(request)
    context = {
        "categories": CATEGORIES.values(),
        "query": f"?{urlencode({FOR: waiting.token})}" if waiting else "",
        "back": waiting.coming_back() if waiting else reverse("parts"),
    }
    return render(request, "machines/new_part_kind.html", context)


@form_page
@needs(Right.BUILD)
def edit_part(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(request, PartForm, Part.objects.all(), pk, list_page="parts")


@form_page
@needs(Right.BUILD)
def remove_part(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    part = get_object_or_404(Part, pk=pk)
    return remove_record(request, part, back=part.get_absolute_url(), after=reverse("parts"))
