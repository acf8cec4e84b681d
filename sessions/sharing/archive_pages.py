"""Taking a machine's records out and in: single tables, and everything in one file."""

from __future__ import annotations

import tempfile
import uuid

from django import forms
from django.contrib import messages
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.text import slugify
from django.views.decorators.http import require_http_methods, require_safe

from buildlog.hosting.request_size import MB, takes_up_to
from buildlog.machines.models import Vehicle
from buildlog.people.roles import Right, needs
from buildlog.storage.kept_file_answers import FILE_POLICY, attachment
from sessions.sharing import archive
from sessions.sharing.tables import TABLES

KEPT_IN_MEMORY_BYTES = 8 * 1024 * 1024


@require_safe
def vehicle_tables(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(Vehicle, pk=pk)
    tables = [(name, label) for name, (label, _) in TABLES.items()]
    return render(request, "sharing/tables.html", {"vehicle": found, "tables": tables})


@require_safe
def vehicle_table(request: HttpRequest, pk: uuid.UUID, name: str) -> HttpResponse:
    found = get_object_or_404(Vehicle, pk=pk)
    if name not in TABLES:
        raise Http404("There is no such table.")
    response = HttpResponse(TABLES[name][1](found), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{slugify(found.name) or "machine"}-{name}.csv"'
    response["Content-Security-Policy"] = FILE_POLICY
    return response


@require_safe
def vehicle_archive(request: HttpRequest, pk: uuid.UUID) -> FileResponse:
    found = get_object_or_404(Vehicle, pk=pk)
    # Small archives never touch the disk, large ones never fill the memory.
    target = tempfile.SpooledTemporaryFile(max_size=KEPT_IN_MEMORY_BYTES)  # noqa: SIM115  (the response closes it)
    archive.write(found, target)
    target.seek(0)
    filename = f"{slugify(found.name) or 'machine'}.firnlog.zip"
    return attachment(target, filename=filename, content_type="application/zip")


class ArchiveForm(forms.Form):
    file = forms.FileField(label="Archive of a machine")


@takes_up_to(archive.LARGEST_BYTES + 20 * MB)
@require_http_methods(["GET", "HEAD", "POST"])
@needs(Right.BUILD)
def read_archive(request: HttpRequest) -> HttpResponse:
    """Read a machine in from its archive; all of it, or nothing."""
    form = ArchiveForm(request.POST, request.FILES) if request.method == "POST" else ArchiveForm()
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            done = archive.read(file, file.size)
        except archive.NotAnArchive as error:
            form.add_error("file", str(error))
        else:
            kinds = ", ".join(f"{count} {kind}" for kind, count in done.stored.items()) or "nothing new"
            messages.success(request, f"Read in {done.name}: {kinds}. {done.was_there} records were here already.")
            for note in done.notes:
                messages.warning(request, note)
            return redirect("vehicle", pk=done.vehicle) if done.vehicle else redirect("home")
    return render(request, "sharing/read_archive.html", {"form": form}, status=422 if form.errors else 200)
