"""Refusals that no view gives: a page for people, JSON for programs."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.views import defaults


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    if by_program(request):
        return JsonResponse({"detail": "There is nothing at this address."}, status=404)
    return defaults.page_not_found(request, exception)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    if by_program(request):
        return JsonResponse({"detail": "What came is broken, or was cut off on the way."}, status=400)
    return defaults.bad_request(request, exception)


def failed(request: HttpRequest, *args: Any) -> HttpResponse:
    if by_program(request):
        return JsonResponse({"detail": "Something went wrong here. Send it again later."}, status=500)
    return defaults.server_error(request)


def by_program(request: HttpRequest) -> bool:
    return request.path_info.startswith("/api/")
