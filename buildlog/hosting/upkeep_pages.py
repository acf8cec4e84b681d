"""The owner's page about the installation's status, and the health check that other machines call."""

from __future__ import annotations

from datetime import UTC, datetime

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.db import Error
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_safe

from buildlog.hosting import health as condition
from buildlog.hosting.backups import asked_restore, drill, offsite, retention, schedule, server
from buildlog.hosting.backups import status as backup_status
from buildlog.hosting.backups.warnings import warnings_here
from buildlog.hosting.version import VERSION
from buildlog.people.access_log import note
from buildlog.people.form_pages import form_page
from buildlog.people.models import AccessEvent
from buildlog.people.roles import Right, has_right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.storage.kept_file_answers import attachment

LONGEST_WAIT_S = 20.0
"""Less than any proxy waits for an answer."""


@login_not_required
@require_safe
def health(request: HttpRequest) -> HttpResponse:
    """200 while all is well, else 503. `?of=database,disk` asks for some parts only."""
    names = [name for name in request.GET.get("of", "").split(",") if name] or list(condition.PARTS)
    if set(names) - set(condition.PARTS):
        words = f"of must name some of {', '.join(condition.PARTS)}. For example ?of=database,disk"
        return JsonResponse({"detail": words}, status=400)
    findings = condition.examine(names)
    summary = condition.summary(findings, to_owner=_is_owner(request))
    response = JsonResponse(summary, status=200 if summary["status"] == "ok" else 503)
    response["Cache-Control"] = "no-store"
    return response


def _is_owner(request: HttpRequest) -> bool:
    if settings.SESSION_COOKIE_NAME not in request.COOKIES:
        return False
    try:
        return has_right(request.user, Right.ADMIT)
    except Error:
        # The account is in the database; while that cannot be reached, everybody gets the short answer.
        return False


@form_page
@needs(Right.ADMIT)
def upkeep(request: HttpRequest) -> HttpResponse:
    """The installation's status; a POST makes a backup."""
    if request.method == "POST":
        try:
            if trouble := schedule.back_up_now(LONGEST_WAIT_S):
                messages.warning(request, f"No backup was made. {trouble}")
            else:
                messages.success(request, "A backup was made.")
        except schedule.StillGoingOn:
            messages.info(request, "The backup is still being made. Look again in a few minutes.")
        return redirect("upkeep")
    status, now = backup_status.read(settings.DATA), datetime.now(UTC)
    sent, trial = offsite.read(settings.DATA), drill.read(settings.DATA)
    context = {
        "status": status,
        "age": backup_status.in_words(now - status.last_good_at) if status.last_good_at else "",
        "warnings": warnings_here(now),
        "outcome": asked_restore.last_outcome(settings.DATA),
        "encrypted": bool(settings.BACKUP_PUBLIC_KEY),
        "offsite": settings.OFFSITE,
        "sent": sent,
        "sent_age": backup_status.in_words(now - sent.made_at) if sent.made_at else "",
        "drill": trial,
        "drill_age": backup_status.in_words(now - trial.done_at) if trial.done_at else "",
        "backups": retention.backups_in(settings.BACKUP_DIR)[:100],
        "folder": settings.BACKUP_DIR,
        "hours": settings.BACKUP_HOURS,
        "database": condition.database(),
        "disk": condition.disk(),
        "on_server": server.holds_the_records(),
        "version": VERSION,
    }
    return render(request, "hosting/upkeep.html", context)


@needs(Right.ADMIT)
@require_safe
def backup_file(request: SignedInRequest, name: str) -> FileResponse:
    """A backup, to be kept in another place. It holds the key of the installation: taking it is in the access log."""
    backup = next((file for file in retention.backups_in(settings.BACKUP_DIR) if file.path.name == name), None)
    if backup is None:
        raise Http404("There is no such backup.")
    try:
        file = backup.path.open("rb")
    except OSError:
        raise Http404("The backup cannot be read.") from None
    if request.method == "GET":
        note(AccessEvent.Kind.BACKUP_TAKEN, request, request.user, detail=name)
    response = attachment(file, filename=name, content_type="application/zip")
    response["Cache-Control"] = "no-store"
    return response
