"""Pages of the modifications of a revision."""

from __future__ import annotations

import uuid

from django.http import HttpResponse
from django.shortcuts import get_object_or_404

from buildlog.failures.forms import ModificationForm
from buildlog.failures.models import Modification
from buildlog.machines.models import Revision
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.pages import change_record, remove_record, write_record


@form_page
@needs(Right.BUILD)
def new_modification(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    revision = get_object_or_404(Revision.objects.select_related("vehicle"), pk=pk)
    back = revision.get_absolute_url()
    initial = {"answers": request.GET.getlist("answers")} if request.method == "GET" else None
    return write_record(
        request,
        ModificationForm,
        Modification(revision=revision),
        title=f"What was changed for {revision}",
        back=back,
        after=back,
        initial=initial,
    )


@form_page
@needs(Right.BUILD)
def edit_modification(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Modification.objects.select_related("revision__vehicle")
    return change_record(
        request,
        ModificationForm,
        rows,
        pk,
        title=lambda modification: f"Edit: {modification}",
        back=lambda modification: modification.revision.get_absolute_url(),
    )


@form_page
@needs(Right.BUILD)
def remove_modification(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    modification = get_object_or_404(Modification.objects.select_related("revision__vehicle"), pk=pk)
    back = modification.revision.get_absolute_url()
    return remove_record(request, modification, back=back, after=back)
