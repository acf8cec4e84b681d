"""The owner's page about the connection to this site, and the error pages for requests that go wrong."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

from django.contrib.auth import get_user
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import DisallowedHost
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import Resolver404, resolve
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods, require_safe

from buildlog.hosting import probe
from buildlog.hosting.connection import (
    findings,
    seen_request,
    visible_headers,
    why_a_form_was_refused,
    why_a_page_is_missing,
)
from buildlog.hosting.error_pages import by_program
from buildlog.people.roles import Right, has_right, needs
from buildlog.records.form_merge import BEGAN_FROM
from buildlog.records.pages import MAKE_ANEW


@needs(Right.ADMIT)
@require_safe
def connection(request: HttpRequest) -> HttpResponse:
    return _answer(request)


def _answer(request: HttpRequest, status: int = 200) -> HttpResponse:
    all_findings = findings(seen_request(request))
    context = {
        "findings": all_findings,
        "wrong": [finding for finding in all_findings if finding.remedy],
        "headers": visible_headers(request),
    }
    response = render(request, "hosting/connection.html", context, status=status)
    response["Cache-Control"] = "no-store"
    return response


@csrf_exempt
@login_not_required
@require_http_methods(["GET", "POST"])
def seen(request: HttpRequest) -> HttpResponse:
    """Answers `manage.py check --deploy`, and nobody else, with its own request as it arrived here."""
    if not probe.is_ours(request):
        raise Http404("There is no such page.")
    return JsonResponse(dataclasses.asdict(seen_request(request)))


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """A request that is refused unread. Under an unknown host name, the owner still sees the request as it arrived."""
    unknown_name = isinstance(exception, DisallowedHost)
    if by_program(request):
        why = "Nothing answers under this name." if unknown_name else "What came is broken, or was cut off on the way."
        return JsonResponse({"detail": why}, status=400)
    is_owner = hasattr(request, "session") and has_right(get_user(request), Right.ADMIT)
    if unknown_name and is_owner and _asks_for_connection(request):
        request.user = get_user(request)
        return _answer(request, status=400)
    context = {"unknown_name": unknown_name, "is_owner": is_owner}
    return render(request, "400.html", context, status=400)


def _asks_for_connection(request: HttpRequest) -> bool:
    try:
        return resolve(request.path_info).url_name == "connection"
    except Resolver404:
        return False


def form_refused(request: HttpRequest, reason: str = "") -> HttpResponse:
    """A form whose CSRF token did not match."""
    wrong, remedy = why_a_form_was_refused(request)
    is_owner = has_right(request.user, Right.ADMIT)
    context = {"wrong": wrong, "remedy": remedy, "is_owner": is_owner}
    return render(request, "403_form.html", context, status=403)


def missing_page(request: HttpRequest, exception: Any) -> HttpResponse:
    if by_program(request):
        return JsonResponse({"detail": "There is nothing at this address."}, status=404)
    context = {"sub_path": why_a_page_is_missing(request), "typed": _typed(request)}
    return render(request, "404.html", context, status=404)


def _typed(request: HttpRequest) -> list[tuple[str, str]]:
    """The input of somebody signed in to a form of a record that no longer exists, shown so that it is not lost."""
    account = getattr(request, "user", None)
    if request.method != "POST" or account is None or not account.is_authenticated:
        return []
    hidden = re.compile(rf"csrfmiddlewaretoken|password|{BEGAN_FROM}|^keep_|^{MAKE_ANEW}$")
    return [
        (name.replace("_", " "), "; ".join(values))
        for name, values in request.POST.lists()
        if any(values) and not hidden.search(name)
    ]
