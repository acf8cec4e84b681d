"""The owner's admin site: every record, for corrections that the pages do not offer."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from buildlog.failures.models import Failure, FailureMode, Modification
from buildlog.hosting.admin_site import RecordAdmin
from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.people.models import Account
from buildlog.photos.models import Photo


class FittingInline(admin.TabularInline[Fitting, Revision]):
    model = Fitting
    extra = 0
    autocomplete_fields = ["part"]


@admin.register(Account)
class AccountAdmin(admin.ModelAdmin[Account]):
    """Read-only. Roles and access are changed on the page People, which never removes the last owner."""

    list_display = ["username", "role", "is_active", "last_login"]
    fields = ["username", "role", "unit_system", "is_active", "date_joined", "last_login"]
    search_fields = ["username"]

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


@admin.register(Vehicle)
class VehicleAdmin(RecordAdmin[Vehicle]):
    list_display = ["name", "invented"]
    search_fields = ["name"]


@admin.register(Revision)
class RevisionAdmin(RecordAdmin[Revision]):
    list_display = ["vehicle", "number", "status", "date"]
    list_select_related = ["vehicle"]
    list_filter = ["vehicle", "status"]
    search_fields = ["vehicle__name", "purpose"]
    inlines = [FittingInline]


@admin.register(Part)
class PartAdmin(RecordAdmin[Part]):
    list_display = ["name", "category", "mass_kg"]
    list_filter = ["category"]
    search_fields = ["name"]


@admin.register(Modification)
class ModificationAdmin(RecordAdmin[Modification]):
    list_display = ["title", "revision"]
    list_select_related = ["revision__vehicle"]


@admin.register(FailureMode)
class FailureModeAdmin(RecordAdmin[FailureMode]):
    search_fields = ["name"]


@admin.register(Failure)
class FailureAdmin(RecordAdmin[Failure]):
    list_display = ["mode", "revision", "severity", "happened_at"]
    list_select_related = ["mode", "revision__vehicle"]
    list_filter = ["severity"]


@admin.register(Photo)
class PhotoAdmin(RecordAdmin[Photo]):
    list_display = ["id", "caption", "taken_at"]
    readonly_fields = ["image", "thumbnail", "width_px", "height_px"]

    def has_add_permission(self, request: HttpRequest) -> bool:
        # An upload must pass the checks of the pages and the API.
        return False
