"""Absolute URLs to hand to people: they lead to where people open the site, also behind a proxy."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.urls import reverse


def base_url_for_command(address: str | None) -> str:
    """The base URL for a link made by a command: the one typed, else the configured one, else loopback."""
    return address or str(settings.BASE_URL) or "http://127.0.0.1:8000"


def absolute_url(page: str, *arguments: Any, request: HttpRequest | None = None, base: str = "") -> str:
    """The URL of a named page under `base` or the configured base URL; without either, under the request's own."""
    path = reverse(page, args=arguments)
    base = base or str(settings.BASE_URL)
    if base:
        return base.rstrip("/") + path.removeprefix(settings.BASE_URL.path)
    if request is None:
        raise ValueError("base: without a base URL or a request there is no address to build on")
    return request.build_absolute_uri(path)
