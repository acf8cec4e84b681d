"""Pages of parts."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from urllib.parse import urlencode

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from buildlog.machines import queries
from buildlog.machines.forms import PartForm
from buildlog.machines.models import Part, Revision
from buildlog.machines.specifications import CATEGORIES
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.kept_forms import FOR, waiting_form
from buildlog.records.pages import ANOTHER, Then, change_record, remove_record, write_record

MOST_FIT_BUTTONS = 3


@require_safe
def parts(request: SignedInRequest) -> HttpResponse:
    context = {"parts": queries.parts(), "categories": CATEGORIES.values()}
    return render(request, "machines/parts.html", context)


@require_safe
@needs(Right.BUILD)
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
def new_part(request: SignedInRequest, category: str) -> HttpResponse:
    """A new part; saved, it can be fitted at once to the newest revision of each machine."""
    if category not in CATEGORIES:
        raise Http404(f"There is no category {category}.")
    label = CATEGORIES[category].label.lower()
    return write_record(
        request,
        PartForm,
        Part(category=category),
        title=f"New part: {label}",
        back=reverse("parts"),
        then=[*_fit_buttons(), Then(ANOTHER, "Save and add another", request.get_full_path())],
    )


def _fit_buttons() -> list[Then]:
    """Save and fit: one button for the newest revision of each machine."""
    return [
        Then(f"fit-{revision.pk}", f"Save and fit on {revision}", _fitting_page(revision))
        for revision in queries.newest_revisions(MOST_FIT_BUTTONS)
    ]


def _fitting_page(revision: Revision) -> Callable[[Part], str]:
    address = reverse("new_fitting", args=[revision.pk])
    return lambda part: f"{address}?part={part.pk}"


@form_page
@needs(Right.BUILD)
def edit_part(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(request, PartForm, Part.objects.all(), pk, list_page="parts")


@form_page
@needs(Right.BUILD)
def remove_part(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    part = get_object_or_404(Part, pk=pk)
    return remove_record(request, part, back=part.get_absolute_url(), after=reverse("parts"))
