"""The owner's back room for what happened out there."""

from django.contrib import admin

from buildlog.hosting.admin_site import RecordAdmin
from sessions.outings.models import Assumptions, Gate, GateMark, Pass, Reading, Session, Venue


class GateMarkInline(admin.TabularInline[GateMark, Gate]):
    model = GateMark
    extra = 0


class PassInline(admin.TabularInline[Pass, Session]):
    model = Pass
    extra = 0


class ReadingInline(admin.TabularInline[Reading, Session]):
    model = Reading
    extra = 0


@admin.register(Venue)
class VenueAdmin(RecordAdmin[Venue]):
    list_display = ["name"]


@admin.register(Gate)
class GateAdmin(RecordAdmin[Gate]):
    list_display = ["name", "venue", "method"]
    list_select_related = ["venue"]
    inlines = [GateMarkInline]


@admin.register(Session)
class SessionAdmin(RecordAdmin[Session]):
    list_display = ["revision", "venue", "started_at", "surface"]
    list_select_related = ["revision__vehicle", "venue"]
    date_hierarchy = "started_at"
    inlines = [PassInline, ReadingInline]


@admin.register(Assumptions)
class AssumptionsAdmin(RecordAdmin[Assumptions]):
    list_display = ["vehicle", "reserve_fraction"]
