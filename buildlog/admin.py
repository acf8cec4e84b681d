"""The owner's back room: every record, for mending what the pages do not offer."""

from django.contrib import admin

from buildlog.failures.models import Failure, FailureMode, Modification
from buildlog.hosting.admin_site import RecordAdmin
from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.people.models import Account
from buildlog.photos.models import Photo


class FittingInline(admin.TabularInline):
    model = Fitting
    extra = 0
    autocomplete_fields = ["part"]


@admin.register(Account)
class AccountAdmin(admin.ModelAdmin):
    """To look at. Roles and doors are changed on the page People, where the last owner is kept."""

    list_display = ["username", "role", "is_active", "last_login"]
    fields = ["username", "role", "unit_system", "is_active", "date_joined", "last_login"]
    search_fields = ["username"]

    def has_add_permission(self, request):
        return False

    def has_change_permission(self, request, obj=None):
        return False

    def has_delete_permission(self, request, obj=None):
        return False


@admin.register(Vehicle)
class VehicleAdmin(RecordAdmin):
    list_display = ["name", "invented"]
    search_fields = ["name"]


@admin.register(Revision)
class RevisionAdmin(RecordAdmin):
    list_display = ["vehicle", "number", "status", "date"]
    list_select_related = ["vehicle"]
    list_filter = ["vehicle", "status"]
    search_fields = ["vehicle__name", "purpose"]
    inlines = [FittingInline]


@admin.register(Part)
class PartAdmin(RecordAdmin):
    list_display = ["name", "category", "mass_kg"]
    list_filter = ["category"]
    search_fields = ["name"]


@admin.register(Modification)
class ModificationAdmin(RecordAdmin):
    list_display = ["title", "revision"]
    list_select_related = ["revision__vehicle"]


@admin.register(FailureMode)
class FailureModeAdmin(RecordAdmin):
    search_fields = ["name"]


@admin.register(Failure)
class FailureAdmin(RecordAdmin):
    list_display = ["mode", "revision", "severity", "state", "happened_at"]
    list_select_related = ["mode", "revision__vehicle"]
    list_filter = ["state", "severity"]


@admin.register(Photo)
class PhotoAdmin(RecordAdmin):
    list_display = ["id", "caption", "taken_at"]
    readonly_fields = ["image", "thumbnail", "width_px", "height_px"]

    def has_add_permission(self, request):
        # An upload must pass through the checks of the pages and the API.
        return False
