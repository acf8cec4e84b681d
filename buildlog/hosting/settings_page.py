"""What is set once for a person, a machine or the whole log, and what there is to read about it."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.hosting.version import VERSION


@require_safe
def settings(request: HttpRequest) -> HttpResponse:
    return render(request, "hosting/settings.html", {"version": VERSION})
