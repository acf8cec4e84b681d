"""Requests of somebody who is signed in, with the types of what they carry.

The framework's own types allow for a visitor without an account, whom `LoginRequiredMiddleware` and `roles.ByRole`
let through to no page and no view but those marked `login_not_required`. Nothing is made of these classes: they
only say what the framework's request holds by then.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.http import HttpRequest
from rest_framework.request import Request

if TYPE_CHECKING:
    from buildlog.people.models import Account, DeviceToken


class SignedInRequest(HttpRequest):
    """What a page gets."""

    user: Account


class ApiRequest(Request):
    """What a view of the API gets; `auth` is the key of the device that came by itself, else None."""

    user: Account
    auth: DeviceToken | None
