"""Devices that send by themselves: making, listing and revoking their keys."""

from __future__ import annotations

from django import forms
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from buildlog.people.access_log import note
from buildlog.people.form_pages import form_page
from buildlog.people.models import AccessEvent, DeviceToken
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest

Kind = AccessEvent.Kind


class DeviceForm(forms.ModelForm[DeviceToken]):
    class Meta:
        model = DeviceToken
        fields = ["name", "vehicle", *DeviceToken.RIGHTS]


@form_page
@needs(Right.BUILD)
def devices(request: SignedInRequest) -> HttpResponse:
    """Make a device; its key is shown once, because only its hash is stored."""
    form = DeviceForm(request.POST or None)
    key = ""
    if request.method == "POST" and form.is_valid():
        device, key = DeviceToken.issue(account=request.user, **form.cleaned_data)
        note(Kind.DEVICE_MADE, request, request.user, detail=f"{device.name}: {', '.join(device.rights)}")
        form = DeviceForm()
    context = {
        "form": form,
        "key": key,
        "devices": DeviceToken.objects.select_related("vehicle", "account")[:100],
    }
    return render(request, "people/devices.html", context, status=422 if form.errors else 200)


@require_POST
@needs(Right.BUILD)
def revoke_device(request: SignedInRequest, pk: int) -> HttpResponse:
    device = get_object_or_404(DeviceToken, pk=pk)
    if DeviceToken.objects.filter(pk=device.pk, revoked_at__isnull=True).update(revoked_at=timezone.now()):
        note(Kind.DEVICE_ENDED, request, device.account, by=request.user, detail=device.name)
    return redirect("devices")
