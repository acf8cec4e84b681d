"""The views of the field page: its shell, its reference data, and the import of unsent records."""

from __future__ import annotations

import time
from typing import Any

from django import forms
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils.decorators import method_decorator
from django.views.decorators.csrf import ensure_csrf_cookie
from django.views.decorators.http import require_safe
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from buildlog.hosting.request_size import MB, max_request_size
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import ApiRequest, SignedInRequest
from sessions.field import confirmed as field_confirmed
from sessions.field import reference as field_reference
from sessions.field import shell as field_shell
from sessions.field import unsent_file
from sessions.field.batches import answers_to


@login_not_required
@require_safe
def field(request: HttpRequest) -> HttpResponse:
    return field_shell.document(request)


@login_not_required
@require_safe
def service_worker(request: HttpRequest) -> HttpResponse:
    return field_shell.worker()


@login_not_required
@require_safe
def field_manifest(request: HttpRequest) -> HttpResponse:
    return field_shell.manifest()


class OfOneAccount(APIView):
    """An answer that no cache may store, and that carries the CSRF token needed for sending."""

    request: ApiRequest

    @method_decorator(ensure_csrf_cookie)
    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        response = super().dispatch(request, *args, **kwargs)
        response["Cache-Control"] = "no-store"
        return response


class Greeting(OfOneAccount):
    @extend_schema(responses=OpenApiTypes.OBJECT)
    def get(self, request: Request) -> Response:
        return Response(_with_newest(request, field_reference.greeting(self.request.user)))


class Clock(OfOneAccount):
    """The server's time at both ends of one comparison: T2 and T3 of RFC 5905, section 8."""

    @extend_schema(responses=OpenApiTypes.OBJECT)
    def get(self, request: Request) -> Response:
        received_s = time.time()
        return Response({"received_s": received_s, "answered_s": time.time()})


class Reference(OfOneAccount):
    @extend_schema(responses=OpenApiTypes.OBJECT)
    def get(self, request: Request) -> Response:
        return Response(_with_newest(request, field_reference.reference(self.request.user)))


class StillThere(OfOneAccount):
    """Which of a phone's confirmed records are stored here. It changes nothing, so the right to read is enough."""

    write_right = Right.READ

    @extend_schema(request=OpenApiTypes.OBJECT, responses=OpenApiTypes.OBJECT)
    def post(self, request: Request) -> Response:
        return Response(field_confirmed.stored_versions(request.data))


class Records(OfOneAccount):
    """Records that waited on a phone, many in one request, with one answer each."""

    write_right = Right.LOG

    @extend_schema(request=OpenApiTypes.OBJECT, responses=OpenApiTypes.OBJECT)
    def post(self, request: Request) -> Response:
        began_s = time.monotonic()
        answers = answers_to(request._request, request.data)
        # The phone sends as many at once as take well under a second.
        return Response({"answers": answers, "took_s": round(time.monotonic() - began_s, 3)})


def _with_newest(request: Request, payload: dict[str, Any]) -> dict[str, Any]:
    """Add the version of the record confirmed last, if the phone names one. None means that it is missing here."""
    kind, _, key = request.query_params.get("newest", "").partition("/")
    if kind and key:
        payload["newest"] = field_confirmed.version_of_key(kind, key)
    return payload


class UnsentFileForm(forms.Form):
    file = forms.FileField(label="File from the phone")


@max_request_size(unsent_file.LARGEST_BYTES + 20 * MB)
@form_page
@needs(Right.LOG)
def import_unsent_file(request: SignedInRequest) -> HttpResponse:
    """Import the records that a phone could not send itself."""
    form = UnsentFileForm(request.POST, request.FILES) if request.method == "POST" else UnsentFileForm()
    rows: list[unsent_file.Row] = []
    unsent = None
    if request.method == "POST" and form.is_valid():
        try:
            unsent = unsent_file.parse(form.cleaned_data["file"])
        except unsent_file.NotAnUnsentFile as error:
            form.add_error("file", str(error))
        else:
            rows = unsent_file.import_records(unsent, request.user)
    context = {"form": form, "rows": rows, "unsent": unsent}
    return render(request, "field/read_in.html", context, status=422 if form.errors else 200)
