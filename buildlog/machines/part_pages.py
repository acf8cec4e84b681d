"""Pages of parts."""

from __future__ import annotations

import uuid
from urllib.parse import urlencode

from django.db.models import F, Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from buildlog.machines import queries
from buildlog.machines.forms import PartForm
from buildlog.machines.models import Part
from buildlog.machines.specifications import CATEGORIES, CATEGORY_CHOICES
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.kept_forms import FOR, waiting_form
from buildlog.records.list_query import Filter, ListQuery, csv_answer
from buildlog.records.pages import change_record, remove_record

SORTS = (("kind", "By kind"), ("name", "By name"), ("heaviest", "Heaviest first"), ("fitted", "Most fitted first"))
_ORDERS = {
    "kind": ("category", "name"),
    "name": ("name", "category"),
    "heaviest": (F("mass_kg").desc(nulls_last=True), "name"),
    "fitted": ("-fitting_count", "name"),
}


@require_safe
def parts(request: SignedInRequest) -> HttpResponse:
    """All parts, narrowed by words and kind."""
    kinds = Filter("kind", "Kind", CATEGORY_CHOICES)
    fitted = Filter("fitted", "Fitted", [("yes", "Fitted somewhere"), ("no", "Fitted nowhere")])
    query = ListQuery(request.GET, [kinds, fitted], SORTS)
    rows = queries.parts()
    for word in query.words:
        rows = rows.filter(Q(name__icontains=word) | Q(notes__icontains=word))
    if query.chosen("kind"):
        rows = rows.filter(category=query.chosen("kind"))
    if query.chosen("fitted"):
        rows = rows.filter(fittings__isnull=query.chosen("fitted") == "no")
    rows = rows.order_by(*_ORDERS[query.sort], "pk")
    if query.is_export:
        return _as_csv(list(rows))
    context = {"parts": rows, "query": query, "any": query.is_narrowed or rows.exists()}
    return render(request, "machines/parts.html", context)


def _as_csv(rows: list[Part]) -> HttpResponse:
    names = list(dict.fromkeys(field.name for category in CATEGORIES.values() for field in category.fields))
    table = (
        [part.name, part.category, part.mass_kg, *(part.specification.get(name) for name in names), part.notes]
        for part in rows
    )
    return csv_answer("parts", ["name", "kind", "mass_kg", *names, "notes"], table)


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
