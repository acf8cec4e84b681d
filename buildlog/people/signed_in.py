"""Types of requests of signed-in accounts.

The framework's own types allow for a visitor without an account. `LoginRequiredMiddleware` and `roles.ByRole` let such
a visitor reach only pages and views marked `login_not_required`. These classes are never instantiated: they only
declare the types of the framework's request on all other pages.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.http import HttpRequest
from rest_framework.request import Request

if TYPE_CHECKING:
    from buildlog.people.models import Account, DeviceToken


class SignedInRequest(HttpRequest):
    """The request of a page."""

    user: Account


class ApiRequest(Request):
    """The request of an API view; `auth` is the device whose key was sent, else None."""

    user: Account
    auth: DeviceToken | None
