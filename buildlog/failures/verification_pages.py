"""Pages of what shows a fix beside riding: inspections, tests in steps, calculations."""

from __future__ import annotations

import uuid
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404

from buildlog.failures.models import Modification, Verification
from buildlog.people import current_account
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.photos.models import Photo
from buildlog.records.forms import RecordForm
from buildlog.records.moments import day_input
from buildlog.records.pages import change_record, remove_record, write_record


class VerificationForm(RecordForm[Verification]):
    belongs_to = ("modification",)

    class Meta:
        model = Verification
        fields = ["kind", "done_on", "done_by", "finding", "photo"]
        widgets = {"done_on": day_input()}
        help_texts = {
            "kind": "Severity I and II take a calculation or a test in steps, and an inspection after riding. A test "
            "never provokes the failure at speed.",
            "finding": "For example: stand loaded in steps to twice the weight, no movement, weld dye-tested.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        modification = self.instance.modification
        of_failures = Photo.objects.filter(failure__in=modification.answers.all())
        self.offer("photo", (of_failures | Photo.objects.filter(revision=modification.revision_id)).distinct())
        self.record_choice("photo").empty_label = "None"


@form_page
@needs(Right.LOG)
def new_verification(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    modification = get_object_or_404(Modification.objects.select_related("revision__vehicle"), pk=pk)
    failure = modification.answers.first()
    back = failure.get_absolute_url() if failure else modification.get_absolute_url()
    account = current_account.account()
    return write_record(
        request,
        VerificationForm,
        Verification(modification=modification),
        title=f"What shows “{modification}” on {modification.revision}",
        back=back,
        after=back,
        initial={"done_by": account.username if account else ""},
    )


@form_page
@needs(Right.LOG)
def edit_verification(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = Verification.objects.select_related("modification__revision__vehicle")
    return change_record(request, VerificationForm, rows, pk)


@form_page
@needs(Right.LOG)
def remove_verification(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    verification = get_object_or_404(Verification.objects.select_related("modification__revision__vehicle"), pk=pk)
    back = verification.get_absolute_url()
    return remove_record(request, verification, back=back, after=back)
