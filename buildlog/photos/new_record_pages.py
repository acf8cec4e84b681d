"""The forms of new parts and revisions, which take photos along."""

from __future__ import annotations

import uuid
from collections.abc import Callable

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse

from buildlog.machines import queries
from buildlog.machines.carry_over import carry_fittings_over, next_revision
from buildlog.machines.models import Part, Revision, Vehicle
from buildlog.machines.specifications import CATEGORIES
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.photos.forms import NewPartForm, NewRevisionForm
from buildlog.records.list_pages import asked_record
from buildlog.records.pages import ANOTHER, Then, write_record

MOST_FIT_BUTTONS = 3
MOST_NAME_LETTERS = 120


@form_page
@needs(Right.BUILD)
def new_revision(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """A revision like the newest one; saving it carries the parent's fittings over."""
    vehicle = get_object_or_404(Vehicle, pk=pk)

    def carry(revision: Revision) -> None:
        count = carry_fittings_over(revision)
        messages.info(request, f"{count} fittings carried over from its parent.")

    return write_record(
        request,
        NewRevisionForm,
        next_revision(vehicle),
        title=f"New revision of {vehicle}",
        back=vehicle.get_absolute_url(),
        on_created=carry,
    )


@form_page
@needs(Right.BUILD)
def new_part(request: SignedInRequest, category: str) -> HttpResponse:
    """A new part, or one like another; saved, it can be fitted at once to the newest revision of each machine."""
    if category not in CATEGORIES:
        raise Http404(f"There is no category {category}.")
    label = CATEGORIES[category].label.lower()
    part = Part(category=category)
    like = asked_record(Part.objects.filter(category=category), request.GET.get("like"))
    if like is not None:
        part = Part(
            category=category,
            name=f"{like.name}, copy"[:MOST_NAME_LETTERS],
            mass_kg=like.mass_kg,
            counts_cycles=like.counts_cycles,
            notes=like.notes,
            specification=dict(like.specification),
        )
    return write_record(
        request,
        NewPartForm,
        part,
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
