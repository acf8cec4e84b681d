"""Limits on the size of a request, checked before the framework reads its body.

The web server has by then read the request into a temporary file. The framework would write an uploaded file to disk
a second time before any page or form sees it, so requests that are too large, or from somebody not signed in, are
refused before that.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib.auth import SESSION_KEY
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render

MB = 1024 * 1024
BY_ANYBODY = 1 * MB
BY_API = 24 * MB
BY_PAGE = 80 * MB
READ_AND_LET_GO = 600 * MB
BLOCK = 64 * 1024


def max_request_size(
    size: int, *, without_account: Callable[..., bool] | None = None
) -> Callable[[Callable[..., HttpResponse]], Callable[..., HttpResponse]]:
    """Set a page's own limit, for larger files than elsewhere; its form states its own, smaller limit.

    `without_account` says of a request, and of what its address names, whether somebody not signed in may send so much.
    """

    def decorate(page: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
        page.largest_request = size  # type: ignore[attr-defined]
        page.may_send_without_account = without_account  # type: ignore[attr-defined]
        return page

    return decorate


class RequestSize:
    """Place before CsrfViewMiddleware, which reads the body to find the token."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, arguments: Any, names: Any) -> HttpResponse | None:
        size = _declared(request)
        if size <= BY_ANYBODY:
            return None
        # The API authenticates before it reads the body.
        by_api = hasattr(view, "cls")
        signed_in = SESSION_KEY in request.session
        may_send = getattr(view, "may_send_without_account", None)
        is_admitted = may_send is not None and may_send(request, *arguments, **names)
        if not signed_in and not by_api and not is_admitted:
            if getattr(view, "login_required", True):
                return redirect_to_login(request.get_full_path())
            return _refusal(request, BY_ANYBODY, by_api)
        limit = getattr(view, "largest_request", BY_API if by_api else BY_PAGE)
        if size <= limit:
            return None
        if (signed_in or is_admitted) and size <= READ_AND_LET_GO:
            # Read the body first: a sender that is cut off in the middle never sees the answer.
            while request.read(BLOCK):
                pass
        return _refusal(request, limit, by_api)


def _declared(request: HttpRequest) -> int:
    text = request.META.get("CONTENT_LENGTH") or "0"
    return int(text) if text.isascii() and text.isdigit() else 0


def _refusal(request: HttpRequest, limit: int, by_api: bool) -> HttpResponse:
    sentence = (
        f"More than {limit // MB} MB came at once, which is not taken here. Send a smaller file, or less at once."
    )
    if by_api:
        return JsonResponse({"detail": sentence}, status=413)
    return render(request, "413.html", {"sentence": sentence}, status=413)
