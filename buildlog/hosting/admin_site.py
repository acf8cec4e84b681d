"""The framework's own pages over every record, for owners only, entered by the one sign-in page."""

from __future__ import annotations

from collections.abc import Callable
from functools import update_wrapper
from typing import Any, TypeVar

from django.contrib import admin
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied, ValidationError
from django.db.models import Model
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from buildlog.people.roles import Right, has_right
from buildlog.records import change_log

Record = TypeVar("Record", bound=Model)


class RecordAdmin(admin.ModelAdmin[Record]):
    """Logs changes and removals of records, as every other page does."""

    def log_change(self, request: HttpRequest, obj: Any, message: Any) -> Any:
        change_log.note_change(obj, _changed(message))
        return super().log_change(request, obj, message)

    def log_deletions(self, request: HttpRequest, queryset: Any) -> Any:
        for record in queryset:
            change_log.note_removal(record, {})
        return super().log_deletions(request, queryset)


def _changed(message: Any) -> set[str]:
    """The changed fields and inline rows, from the framework's own message about a change."""
    changed: set[str] = set()
    for step in message if isinstance(message, list) else ():
        for act, data in step.items():
            row = str(data.get("name", ""))
            fields = [str(name) for name in data.get("fields", ())] or [act]
            changed |= {f"{row} {name}".strip() for name in fields}
    return changed


class OwnerAdminSite(admin.AdminSite):
    site_header = site_title = "Firnlog: back room"

    def has_permission(self, request: HttpRequest) -> bool:
        return has_right(request.user, Right.ADMIT)

    def admin_view(self, view: Any, cacheable: bool = False) -> Any:
        inner: Callable[..., HttpResponse] = super().admin_view(view, cacheable)

        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if request.user.is_authenticated and not self.has_permission(request):
                raise PermissionDenied("The back room is the owner's.")
            try:
                return inner(request, *args, **kwargs)
            except ValidationError:
                # The framework looks up malformed keys, such as `/r/8/nonsense/`, without checking them.
                raise Http404("There is no such record.") from None

        return update_wrapper(guarded, inner)

    @login_not_required
    def login(self, request: HttpRequest, extra_context: Any = None) -> HttpResponse:
        """Use the one sign-in page, which limits wrong passwords."""
        if request.user.is_authenticated:
            return redirect("admin:index")
        return redirect_to_login(reverse("admin:index"))

    def password_change(  # type: ignore[override]  # the stub promises a page; the framework redirects here too
        self, request: HttpRequest, extra_context: Any = None
    ) -> HttpResponse:
        return redirect("account")

    def password_change_done(  # type: ignore[override]  # the stub promises a page; the framework redirects here too
        self, request: HttpRequest, extra_context: Any = None
    ) -> HttpResponse:
        return redirect("account")

    def logout(  # type: ignore[override]  # the stub promises a page; the framework redirects here too
        self, request: HttpRequest, extra_context: Any = None
    ) -> HttpResponse:
        """Signing out has one page, too."""
        return redirect("settings")
