"""The first page: the machines, and what an owner must know."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.hosting.backups.status import warning_here
from buildlog.people.roles import Right, has_right
from sessions.outings.machine_queries import vehicles


@require_safe
def home(request: HttpRequest) -> HttpResponse:
    warning = warning_here() if has_right(request.user, Right.ADMIT) else ""
    return render(request, "bench/home.html", {"vehicles": vehicles(), "upkeep_warning": warning})
