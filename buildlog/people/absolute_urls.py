"""Whole addresses, to be handed to people: they lead where people open the site, whatever a proxy makes of it."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.urls import reverse


def base_for_a_command(address: str | None) -> str:
    """Where people open the site, as somebody at the machine told it, or as far as it is known there."""
    return address or str(settings.BASE_URL) or "http://127.0.0.1:8000"


def whole_address(page: str, *arguments: Any, asked: HttpRequest | None = None, base: str = "") -> str:
    """The address of a named page under the base URL; where none is set, under `base` or as it was asked for."""
    path = reverse(page, args=arguments)
    base = base or str(settings.BASE_URL)
    if base:
        return base.rstrip("/") + path.removeprefix(settings.BASE_URL.path)
    if asked is None:
        raise ValueError("base: without a base URL or a request there is no address to build on")
    return asked.build_absolute_uri(path)
