"""Headers of every answer that no other middleware sets."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

# What no page of this site ever asks the browser for; the field page may use place and wake lock.
_NEVER = (
    "accelerometer",
    "autoplay",
    "camera",
    "display-capture",
    "gyroscope",
    "magnetometer",
    "microphone",
    "midi",
    "payment",
    "publickey-credentials-get",
    "usb",
    "xr-spatial-tracking",
)
PERMISSIONS = ", ".join(["geolocation=(self)", "screen-wake-lock=(self)", *(f"{name}=()" for name in _NEVER)])
PERMISSIONS_TO_RECORD = PERMISSIONS.replace("microphone=()", "microphone=(self)")
"""Of the field page, which keeps voice notes."""


class AnswerHeaders:
    """Place before any middleware that answers by itself, such as the static files."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Permissions-Policy", PERMISSIONS)
        response.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        # Not "no-store": going back must find the form as it was typed.
        response.headers.setdefault("Cache-Control", "private, no-cache")
        return response
