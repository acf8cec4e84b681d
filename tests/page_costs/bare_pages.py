"""The bare pages, and all addresses of the site beside them."""

from __future__ import annotations

import json
import uuid
from functools import cache
from typing import Any

from django.db import transaction
from django.http import HttpResponse, JsonResponse
from django.template import engines
from django.urls import path

from buildlog.config.urls import urlpatterns as site
from sessions.models import Pass
from tests.page_costs.costs import Page

TABLE = (
    '{% extends "base.html" %}{% block main %}<h1>Bare</h1><table class="ledger">'
    "{% for row in rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}</table>"
    "{% endblock %}"
)
BARE_ROWS: dict[str, Page] = {}


def bare_rows(request: Any, name: str) -> Any:
    """A view with a template and one query, by their keys, of the rows that a page shows."""
    page = BARE_ROWS[name]
    rows = page.model.objects.order_by().filter(pk__in=page.keys).values_list(*page.columns)
    return HttpResponse(_table().render({"rows": rows}, request))


def bare_bytes(request: Any, rows: int) -> Any:
    """A page of that many rows of words, without any data."""
    return HttpResponse(_table().render({"rows": [["some words of text"] * 6] * rows}, request))


def bare_pass(request: Any, pk: uuid.UUID) -> Any:
    """Stores a pass as it is sent, with nothing checked, and answers with it."""
    data = json.loads(request.body)
    with transaction.atomic():
        made = Pass(pk=pk, session_id=data.pop("session"), gate_id=data.pop("gate"), **data)
        made.save(force_insert=True)
    return JsonResponse({"id": str(made.pk), **data}, status=201)


@cache
def _table() -> Any:
    return engines["django"].from_string(TABLE)


urlpatterns = [
    *site,
    path("bare/rows/<str:name>/", bare_rows),
    path("bare/bytes/<int:rows>/", bare_bytes),
    path("bare/pass/<uuid:pk>/", bare_pass),
]
