"""Exporting and importing a machine's records: single tables, and everything in one file."""

from __future__ import annotations

import tempfile
import uuid
from itertools import islice

from django import forms
from django.contrib import messages
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.text import slugify
from django.views.decorators.http import require_safe

from buildlog.hosting.request_size import MB, max_request_size
from buildlog.machines.models import Vehicle
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.storage.kept_file_answers import FILE_POLICY, attachment
from sessions.evidence.doubts import doubts_of_machine
from sessions.sharing import archive
from sessions.sharing.tables import TABLES

IN_MEMORY_BYTES = 8 * 1024 * 1024
SHOWN_DOUBTS = 3


@require_safe
def vehicle_tables(request: HttpRequest, pk: uuid.UUID) -> HttpResponse:
    vehicle = get_object_or_404(Vehicle, pk=pk)
    tables = [(name, label) for name, (label, _) in TABLES.items()]
    return render(request, "sharing/tables.html", {"vehicle": vehicle, "tables": tables})


@require_safe
def vehicle_table(request: HttpRequest, pk: uuid.UUID, name: str) -> HttpResponse:
    vehicle = get_object_or_404(Vehicle, pk=pk)
    if name not in TABLES:
        raise Http404("There is no such table.")
    response = HttpResponse(TABLES[name][1](vehicle), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{slugify(vehicle.name) or "machine"}-{name}.csv"'
    response["Content-Security-Policy"] = FILE_POLICY
    return response


@require_safe
def vehicle_archive(request: HttpRequest, pk: uuid.UUID) -> FileResponse:
    vehicle = get_object_or_404(Vehicle, pk=pk)
    # Small archives stay in memory, large ones go to the disk.
    target = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY_BYTES)  # noqa: SIM115  (the response closes it)
    archive.export_machine(vehicle, target)
    target.seek(0)
    filename = f"{slugify(vehicle.name) or 'machine'}.firnlog.zip"
    return attachment(target, filename=filename, content_type="application/zip")


class ArchiveForm(forms.Form):
    file = forms.FileField(label="Archive of a machine")


def _say_doubts(request: SignedInRequest, key: uuid.UUID) -> None:
    """What of the imported records can hardly be, in the summary."""
    doubts = doubts_of_machine(Vehicle.objects.get(pk=key))
    count = sum(len(doubts.rules(*place)) for place in doubts.open_records)
    if count:
        first = islice(doubts.in_words(doubts.open_records, request.user.unit_system), SHOWN_DOUBTS)
        shown = " ".join(f"{open_doubt.label}: {open_doubt.doubt.sentence}" for open_doubt in first)
        more = f" And {count - SHOWN_DOUBTS} more, under Doubts." if count > SHOWN_DOUBTS else ""
        messages.warning(request, f"Can this be? {shown}{more}")


@max_request_size(archive.LARGEST_BYTES + 20 * MB)
@form_page
@needs(Right.BUILD)
def read_archive(request: SignedInRequest) -> HttpResponse:
    """Import a machine from its archive; all of it, or nothing."""
    form = ArchiveForm(request.POST, request.FILES) if request.method == "POST" else ArchiveForm()
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            result = archive.import_machine(file, file.size)
        except archive.NotAnArchive as error:
            form.add_error("file", str(error))
        else:
            kinds = ", ".join(f"{count} {kind}" for kind, count in result.stored.items()) or "nothing new"
            messages.success(
                request, f"Read in {result.name}: {kinds}. {result.already_stored} records were here already."
            )
            if result.vehicle is not None and result.total:
                _say_doubts(request, result.vehicle)
            for note in result.notes:
                messages.warning(request, note)
            return redirect("vehicle", pk=result.vehicle) if result.vehicle else redirect("home")
    return render(request, "sharing/read_archive.html", {"form": form}, status=422 if form.errors else 200)
