"""The page that asks what a new machine is made of."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.db import IntegrityError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from buildlog.machines.made_of import MadeOfForm
from buildlog.machines.models import Vehicle
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from sessions.outings.first_steps import next_step_address


@form_page
@needs(Right.BUILD)
def made_of(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """The main parts on one page; saved, they are fitted to the newest revision, or to R1, which is made for them."""
    vehicle = get_object_or_404(Vehicle, pk=pk)
    form = MadeOfForm(request.POST or None, vehicle=vehicle, unit_system=request.user.unit_system)
    if request.method == "POST" and form.is_valid():
        try:
            revision = form.save()
        except IntegrityError:
            form.add_error(None, "Somebody stored a part of this name at this moment. Save again.")
        else:
            messages.success(request, f"{len(form.parts)} parts fitted to {revision}.")
            return redirect(next_step_address(vehicle) or revision.get_absolute_url())
    status = 422 if form.is_bound else 200
    return render(request, "machines/made_of.html", {"form": form, "vehicle": vehicle}, status=status)
