"""Middleware that ignores forwarded headers from untrusted proxies. Place it directly after the request log."""

from __future__ import annotations

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponsePermanentRedirect

from buildlog.people.client_address import comes_from_trusted_proxy

# The WSGI application stores the path as sent here, before it removes the sub-path.
PATH_AS_SENT = "firnlog.path_as_sent"
NOT_BELIEVED = "firnlog.not_believed"


class Forwarded:
    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not comes_from_trusted_proxy(request):
            scheme = request.META.pop("HTTP_X_FORWARDED_PROTO", "")
            request.META[NOT_BELIEVED] = scheme
        if settings.BASE_URL.path and request.META.get(PATH_AS_SENT) == settings.BASE_URL.path:
            # Cookies of the sub-path apply only below its trailing slash.
            return HttpResponsePermanentRedirect(f"{settings.BASE_URL.path}/")
        return self.get_response(request)
