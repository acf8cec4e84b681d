"""Pages of failures."""

from __future__ import annotations

import uuid

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from buildlog import queries
from buildlog.forms import FailureForm
from buildlog.models import Failure, Revision
from buildlog.record_pages import remove_record, write_record
from buildlog.roles import Right, needs

form_page = require_http_methods(["GET", "HEAD", "POST"])
SHOWN_AT_ONCE = 100


@require_safe
def failures(request: HttpRequest) -> HttpResponse:
    state = request.GET.get("state", "")
    found = queries.failures()
    if state in Failure.State.values:
        found = found.filter(state=state)
    context = {"failures": found[:SHOWN_AT_ONCE], "states": Failure.State.choices, "state": state}
    return render(request, "buildlog/failures.html", context)


@require_safe
def failure(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(queries.failures(), pk=pk)
    newer = found.revision.vehicle.revisions.filter(number__gt=found.revision.number).select_related("vehicle")
    context = {"failure": found, "photos": queries.photos_of(failure=found), "newer": newer}
    return render(request, "buildlog/failure.html", context)


@form_page
@needs(Right.LOG)
def new_failure(request: HttpRequest) -> HttpResponse:
    """A new failure of the machine ridden now; `?session=` or `?revision=` say otherwise."""
    riding = Revision.objects.filter(status=Revision.Status.RIDING).order_by("-date", "-number").first()
    initial: dict[str, object] = {"revision": riding.pk} if riding else {}
    initial |= {name: value for name in ("session", "revision") if _is_id(value := request.GET.get(name))}
    if "session" in initial:
        sessions = Failure._meta.get_field("session").related_model.objects
        session = sessions.filter(pk=initial["session"]).first()
        if session is not None:
            initial |= {"revision": session.revision_id, "happened_at": session.started_at}
    return write_record(
        request, FailureForm, Failure(), title="Something failed", back=reverse("failures"), initial=initial
    )


def _is_id(text: str | None) -> bool:
    try:
        return bool(text) and bool(uuid.UUID(text))
    except ValueError:
        return False


@form_page
@needs(Right.LOG)
def edit_failure(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(queries.failures(), pk=pk)
    return write_record(request, FailureForm, found, title=f"Edit: {found}", back=found.get_absolute_url())


@form_page
@needs(Right.LOG)
def remove_failure(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(queries.failures(), pk=pk)
    return remove_record(request, found, back=found.get_absolute_url(), after=reverse("failures"))
