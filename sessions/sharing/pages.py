"""Sharing a revision or a comparison: as a printed report, or by a read-only link."""

from __future__ import annotations

import uuid
from typing import Any

from django import forms
from django.contrib.auth.decorators import login_not_required
from django.db.models import F
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from buildlog.machines.models import Revision, Vehicle
from buildlog.people.absolute_urls import absolute_url
from buildlog.people.access_log import note
from buildlog.people.form_pages import form_page
from buildlog.people.models import AccessEvent
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.photos.image_files import picture_answer
from buildlog.photos.models import Photo
from buildlog.storage.full_disk import skip_when_full
from sessions.drawing.figures import map_style_id
from sessions.sharing.models import ShareLink
from sessions.sharing.revision_report import report_of
from sessions.trials.figures import page_figures
from sessions.trials.pages import read_address

Kind = AccessEvent.Kind
DAYS = [(7, "a week"), (30, "a month"), (90, "three months"), (366, "a year")]


class ShareForm(forms.ModelForm[ShareLink]):
    days = forms.TypedChoiceField(label="Works for", choices=DAYS, coerce=int, initial=30)

    class Meta:
        model = ShareLink
        fields = ["hides_places", "hides_people"]


@require_safe
def revision_report(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    revision = get_object_or_404(Revision, pk=pk)
    report = report_of(revision, request.user.unit_system)
    return render(request, "sharing/report.html", {"report": report, "revision": report.revision})


@form_page
@needs(Right.BUILD)
def share(request: SignedInRequest) -> HttpResponse:
    """Make a link to a revision's report (`?report=`) or a comparison (the rest of its address), and end links."""
    subject = _subject(request.GET)
    form = ShareForm(request.POST or None)
    link = ""
    if request.method == "POST" and subject and form.is_valid():
        hides = {name: form.cleaned_data[name] for name in ("hides_places", "hides_people")}
        stored_link, token = ShareLink.issue(form.cleaned_data["days"], made_by=request.user, **subject, **hides)
        link = absolute_url("shared", token, request=request)
        note(Kind.LINK_MADE, request, request.user, detail=str(stored_link))
    context = {
        "form": form,
        "link": link,
        "subject": subject,
        "links": ShareLink.objects.select_related("revision__vehicle", "made_by")[:50],
    }
    return render(request, "sharing/share.html", context, status=422 if form.errors else 200)


def _subject(query: QueryDict) -> dict[str, Any]:
    if query.get("report"):
        try:
            return {"revision": Revision.objects.select_related("vehicle").get(pk=uuid.UUID(query.get("report")))}
        except (ValueError, Revision.DoesNotExist):
            raise Http404("There is no such revision.") from None
    if query.get("vehicle"):
        return {"comparison": query.urlencode()[:2000]}
    return {}


@require_POST
@needs(Right.BUILD)
def revoke_share(request: SignedInRequest, pk: int) -> HttpResponse:
    link = get_object_or_404(ShareLink, pk=pk)
    if link.revoked_at is None:
        link.revoke()
        note(Kind.LINK_ENDED, request, link.made_by, by=request.user, detail=str(link))
    return redirect("share")


@login_not_required
@require_safe
def shared(request: HttpRequest, token: str) -> HttpResponse:
    """The shared page, for anybody who has the link."""
    link = ShareLink.open_for(token)
    if link is None:
        return _private(render(request, "sharing/shared_gone.html", status=410))
    with skip_when_full("that a link was opened", or_is_busy=True):
        ShareLink.objects.filter(pk=link.pk).update(opened=F("opened") + 1)
    context: dict[str, Any] = {"shared": link, "token": token, "unit_system": link.made_by.unit_system}
    if link.revision is not None:
        report = report_of(link.revision, link.made_by.unit_system)
        context |= {"report": report, "revision": report.revision}
        return _private(render(request, "sharing/report.html", context))
    vehicles = list(Vehicle.objects.all())
    selection = read_address(QueryDict(link.comparison), vehicles, link.made_by.unit_system)
    compared = selection.comparison(link.made_by.unit_system, names_places=not link.hides_places)
    if compared is None:
        return _private(render(request, "sharing/shared_gone.html", status=410))
    if link.hides_places:
        compared.left_out = [
            text.split(": ridden at")[0] + ": ridden elsewhere" if ": ridden at" in text else text
            for text in compared.left_out
        ]
    context |= {
        "comparison": compared,
        "vehicle": compared.vehicle,
        "figures": page_figures(compared, link.made_by.unit_system),
        "map_style_id": map_style_id(),
    }
    return _private(render(request, "sharing/shared_comparison.html", context))


@login_not_required
@require_safe
def shared_photo(request: HttpRequest, token: str, pk: uuid.UUID) -> FileResponse:
    """A photo of the shared revision only."""
    link = ShareLink.open_for(token)
    if link is None or link.revision_id is None:
        raise Http404("This link shows no photo.")
    return picture_answer(get_object_or_404(Photo, pk=pk, revision=link.revision_id).thumbnail)


def _private(response: HttpResponse) -> HttpResponse:
    """Let no cache store the answer, no browser send its address as a referrer, and no search engine index it."""
    response["Cache-Control"] = "no-store"
    response["Referrer-Policy"] = "no-referrer"
    response["X-Robots-Tag"] = "noindex, nofollow"
    return response
