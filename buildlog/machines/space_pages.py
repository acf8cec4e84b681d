"""Pages that enter where a machine stands and how it balances."""

from __future__ import annotations

import uuid

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse

from buildlog.machines.balance_tests import BalanceTest
from buildlog.machines.models import Revision
from buildlog.machines.space_forms import ContactsForm, TiltTestForm, WeighingForm
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.forms import RecordForm
from buildlog.records.pages import change_record, remove_record, write_record

FORMS: dict[str, type[RecordForm[BalanceTest]]] = {"weighing": WeighingForm, "tilt": TiltTestForm}


@form_page
@needs(Right.BUILD)
def edit_contacts(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(
        request,
        ContactsForm,
        Revision.objects.select_related("vehicle"),
        pk,
        title=lambda revision: f"Ground contacts of {revision}",
        back=lambda revision: reverse("revision_space", args=[revision.pk]),
        list_page="home",
    )


@form_page
@needs(Right.BUILD)
def new_balance_test(request: SignedInRequest, pk: uuid.UUID, kind: str) -> HttpResponse:
    if kind not in FORMS:
        raise Http404(f"There is no balance test {kind}.")
    revision = get_object_or_404(Revision.objects.select_related("vehicle"), pk=pk)
    label = BalanceTest.Kind(kind).label
    back = reverse("revision_space", args=[revision.pk])
    return write_record(
        request, FORMS[kind], BalanceTest(revision=revision, kind=kind), title=f"{label} of {revision}", back=back
    )


@form_page
@needs(Right.BUILD)
def edit_balance_test(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = BalanceTest.objects.select_related("revision__vehicle")
    kind = rows.filter(pk=pk).values_list("kind", flat=True).first()
    return change_record(request, FORMS[kind or "tilt"], rows, pk, list_page="home")


@form_page
@needs(Right.BUILD)
def remove_balance_test(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    test = get_object_or_404(BalanceTest.objects.select_related("revision__vehicle"), pk=pk)
    return remove_record(request, test, back=test.get_absolute_url(), after=test.get_absolute_url())
