"""Forms for photos."""

from __future__ import annotations

from django import forms

from buildlog.photos.models import Photo
from buildlog.records.forms import RecordForm


class CaptionForm(RecordForm[Photo]):
    can_be_made_anew = False

    class Meta:
        model = Photo
        fields = ["caption"]


class PhotoForm(forms.Form):
    image = forms.FileField(label="Picture", widget=forms.ClearableFileInput(attrs={"accept": "image/*"}))
    caption = forms.CharField(max_length=200, required=False)
