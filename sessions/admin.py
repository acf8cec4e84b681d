"""The owner's back room for what happened out there."""

from django.contrib import admin

from buildlog.hosting.admin_site import RecordAdmin
from sessions.outings.models import Assumptions, Gate, GateMark, Pass, Reading, Session, Venue


class GateMarkInline(admin.TabularInline):
    model = GateMark
    extra = 0


class PassInline(admin.TabularInline):
    model = Pass
    extra = 0


class ReadingInline(admin.TabularInline):
    model = Reading
    extra = 0


@admin.register(Venue)
class VenueAdmin(RecordAdmin):
    list_display = ["name"]


@admin.register(Gate)
class GateAdmin(RecordAdmin):
    list_display = ["name", "venue", "method"]
    list_select_related = ["venue"]
    inlines = [GateMarkInline]


@admin.register(Session)
class SessionAdmin(RecordAdmin):
    list_display = ["revision", "venue", "started_at", "surface"]
    list_select_related = ["revision__vehicle", "venue"]
    date_hierarchy = "started_at"
    inlines = [PassInline, ReadingInline]


@admin.register(Assumptions)
class AssumptionsAdmin(RecordAdmin):
    list_display = ["vehicle", "reserve_fraction"]
