"""Signing a device in by its key."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from buildlog.people.models import DeviceToken
from buildlog.storage.full_disk import skip_when_full

SEEN_EVERY = timedelta(minutes=1)

READING = dict.fromkeys(("GET", "HEAD", "OPTIONS"), ("may_read",))
FIELD_LOGGING = READING | dict.fromkeys(("POST", "PUT", "PATCH"), ("may_log",))
ADDING_READINGS = FIELD_LOGGING | {"POST": ("may_add_readings", "may_log")}
"""Which rights of a key open a view, by method. No key removes anything."""


class DeviceKey(BaseAuthentication):
    """`Authorization: Bearer …` (RFC 6750). `roles.ByRole` decides by view what the device may do."""

    def authenticate(self, request: Request) -> tuple[Any, DeviceToken] | None:
        words = get_authorization_header(request).split()
        if not words or words[0].lower() != b"bearer":
            return None
        try:
            token = words[1].decode("ascii") if len(words) == 2 else ""
        except UnicodeDecodeError:
            token = ""
        device = DeviceToken.open_for(token) if token else None
        if device is None:
            raise AuthenticationFailed("This key is unknown or was revoked. Make a new one under Settings, Devices.")
        now = timezone.now()
        if device.last_used_at is None or now - device.last_used_at > SEEN_EVERY:
            # Once a minute is enough to show that it is alive; a write for each reading would be too many.
            with skip_when_full("when a device was seen", or_is_busy=True):
                DeviceToken.objects.filter(pk=device.pk).update(last_used_at=now)
        return device.account, device

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


class DeviceKeyInSchema(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]  # the library has no types
    """The key in the OpenAPI document."""

    target_class = DeviceKey
    name = "deviceKey"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}
