"""Roles and rights: one table for pages, API and templates."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from functools import wraps
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db import models
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.utils import timezone
from rest_framework.exceptions import PermissionDenied as DeniedByApi
from rest_framework.permissions import SAFE_METHODS, BasePermission

from buildlog.people import current_account


class Role(models.TextChoices):
    OWNER = "owner", "Owner: everything, and who else may come in"
    BUILDER = "builder", "Builder: records builds, sessions and failures"
    RECORDER = (
        "recorder",
        "Recorder: records sessions and failures, removes their own of the last day, changes no build",
    )
    READER = "reader", "Reader: reads"


class Right(models.TextChoices):
    READ = "read"
    LOG = "log"
    REMOVE = "remove"
    BUILD = "build"
    ADMIT = "admit"


RIGHTS: dict[str, frozenset[str]] = {
    Role.OWNER: frozenset({Right.READ, Right.LOG, Right.REMOVE, Right.BUILD, Right.ADMIT}),
    Role.BUILDER: frozenset({Right.READ, Right.LOG, Right.REMOVE, Right.BUILD}),
    Role.RECORDER: frozenset({Right.READ, Right.LOG}),
    Role.READER: frozenset({Right.READ}),
}
OWN_RECORD_PERIOD = timedelta(days=1)
"""How long people without the right to remove may still remove records that they made themselves."""


def roles_with(right: str) -> list[str]:
    return [role for role, rights in RIGHTS.items() if right in rights]


def has_right(account: Any, right: str) -> bool:
    return bool(account.is_authenticated) and right in RIGHTS.get(account.role, frozenset())


def is_own_and_recent(account: Any, record: Any) -> bool:
    """Whether the account made the record, within `OWN_RECORD_PERIOD`. A record of unknown maker is nobody's own."""
    maker, made_at = getattr(record, "made_by_id", None), getattr(record, "made_at", None)
    return (
        maker is not None
        and maker == account.pk
        and made_at is not None
        and timezone.now() - made_at <= OWN_RECORD_PERIOD
    )


def may_remove(account: Any, record: Any) -> bool:
    """Whether the account's rights let it remove a record; `removal` also checks what depends on the record."""
    return has_right(account, Right.REMOVE) or (has_right(account, Right.LOG) and is_own_and_recent(account, record))


def needs(right: str) -> Callable[[Callable[..., HttpResponseBase]], Callable[..., HttpResponseBase]]:
    """A page that only accounts with this right may open."""

    def decorate(page: Callable[..., HttpResponseBase]) -> Callable[..., HttpResponseBase]:
        @wraps(page)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not has_right(request.user, right):
                raise PermissionDenied(f"Your account may not do this. Ask the owner for the right to {right}.")
            return page(request, *args, **kwargs)

        return guarded

    return decorate


class ByRole(BasePermission):
    """API access: reading for everyone signed in, writing by the right its view names.

    A client that stores records to send later names their account in a header: records of one account are
    never stored while another is signed in.
    """

    message = "Your account may read this but not change it."
    account_header = current_account.FIELD_PAGE_HEADER

    def has_permission(self, request: Any, view: Any) -> bool:
        writer = request.headers.get(self.account_header, "")
        if writer and request.user.is_authenticated and writer != str(request.user.pk):
            raise DeniedByApi(
                {"detail": "Another account wrote this. Sign in as the one who wrote it.", "code": "other_account"}
            )
        if request.auth is not None:
            return self._by_key(request, view)
        right = Right.READ if request.method in SAFE_METHODS else getattr(view, "write_right", Right.BUILD)
        return has_right(request.user, right)

    def _by_key(self, request: Any, view: Any) -> bool:
        """A key may do what its own rights, the view and its account's rights all allow."""
        rights = getattr(view, "key_rights", {}).get(request.method, ())
        own = Right.READ if request.method in SAFE_METHODS else Right.LOG
        return any(getattr(request.auth, name) for name in rights) and has_right(request.user, own)


def in_templates(request: HttpRequest) -> dict[str, Any]:
    account = getattr(request, "user", None)
    if account is None or not account.is_authenticated:
        return {"may_build": False, "may_log": False, "may_admit": False, "unit_system": "metric"}
    return {
        "may_build": has_right(account, Right.BUILD),
        "may_log": has_right(account, Right.LOG),
        "may_admit": has_right(account, Right.ADMIT),
        "unit_system": account.unit_system,
    }
