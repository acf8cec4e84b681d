"""Adding and removing photos."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.photos.forms import CaptionForm, PhotoForm
from buildlog.photos.models import SUBJECTS, Photo, subjects_of_kind
from buildlog.photos.pictures import store_photo
from buildlog.records.pages import change_record, remove_record


@form_page
@needs(Right.LOG)
def new_photo(request: SignedInRequest, subject: str, pk: uuid.UUID) -> HttpResponse:
    if subject not in SUBJECTS:
        raise Http404(f"A photo cannot belong to a {subject}.")
    owner = get_object_or_404(subjects_of_kind(subject), pk=pk)
    form = PhotoForm(request.POST, request.FILES) if request.method == "POST" else PhotoForm()
    if request.method == "POST" and form.is_valid():
        try:
            store_photo(form.cleaned_data["image"], caption=form.cleaned_data["caption"], **{subject: owner})
        except ValidationError as error:
            form.add_error("image", error.messages)
        else:
            messages.success(request, "Photo added.")
            return redirect(owner)
    context = {"form": form, "heading": f"Photo for {owner}", "back": owner.get_absolute_url()}
    return render(request, "photos/photo_form.html", context, status=422 if form.is_bound else 200)


@form_page
@needs(Right.LOG)
def edit_photo(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Edit the caption of a picture."""
    rows = Photo.objects.select_related("revision__vehicle", "part", "failure__mode", "failure__revision", "session")
    return change_record(request, CaptionForm, rows, pk, title=lambda _: "Edit the caption", back=_subject_page)


def _subject_page(photo: Photo) -> str:
    page: str = photo.subject.get_absolute_url()
    return page


@form_page
@needs(Right.LOG)
def remove_photo(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    photo = get_object_or_404(Photo, pk=pk)
    back = _subject_page(photo)
    return remove_record(request, photo, back=back, after=back)
