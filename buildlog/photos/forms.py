"""Forms for photos, and forms of new records that take photos along."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from PIL.Image import Image

from buildlog.machines.forms import PartForm, RevisionForm
from buildlog.photos.models import Photo
from buildlog.photos.pictures import read_picture, store_picture
from buildlog.records.forms import Record, RecordForm

MOST_AT_ONCE = 8


class PicturesInput(forms.FileInput):
    allow_multiple_selected = True


class PicturesField(forms.FileField):
    """Any number of pictures, cleaned to upright ones without metadata."""

    widget = PicturesInput(attrs={"multiple": True, "accept": "image/*"})

    def clean(self, data: Any, initial: Any = None) -> list[Image]:
        files = data if isinstance(data, (list, tuple)) else [data] if data else []
        if len(files) > MOST_AT_ONCE:
            raise ValidationError(f"Choose at most {MOST_AT_ONCE} pictures at once; more can be added afterwards.")
        return [read_picture(file) for file in files]


class PhotographedForm(RecordForm[Record]):
    """The form of a record that photos belong to. A new one takes them along."""

    photo_subject = ""
    photos = PicturesField(
        required=False, label="Photos", help_text="JPEG, PNG or WebP. Where they were taken is removed."
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance._state.adding:
            self.fields["photos"] = self.fields.pop("photos")
        else:
            # Those of a stored record are on its page, each with its own form.
            del self.fields["photos"]

    def save(self, commit: bool = True) -> Record:
        record = super().save(commit)
        for picture in self.cleaned_data.get("photos") or []:
            subject: dict[str, Any] = {self.photo_subject: record}
            store_picture(picture, **subject)
        return record


class NewPartForm(PhotographedForm[Any], PartForm):
    photo_subject = "part"


class NewRevisionForm(PhotographedForm[Any], RevisionForm):
    photo_subject = "revision"


class CaptionForm(RecordForm[Photo]):
    can_be_recreated = False

    class Meta:
        model = Photo
        fields = ["caption"]


class PhotoForm(forms.Form):
    image = forms.FileField(label="Picture", widget=forms.ClearableFileInput(attrs={"accept": "image/*"}))
    caption = forms.CharField(max_length=200, required=False)
