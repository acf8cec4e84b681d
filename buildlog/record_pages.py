"""The two pages every record has: one to write it, one to remove it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db import IntegrityError, transaction
from django.db.models import Model, ProtectedError, RestrictedError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from buildlog.conflicts import again_if_overtaken
from buildlog.record_forms import RecordForm


def write_record(
    request: HttpRequest,
    form_class: type[RecordForm],
    instance: Model,
    *,
    title: str,
    back: str,
    after: str | None = None,
    **context: Any,
) -> HttpResponse:
    """Show the form, or store what was sent. What was typed stays in the form until it is right."""
    form = form_class(
        request.POST or None,
        instance=instance,
        unit_system=request.user.unit_system,
        initial=context.pop("initial", None),
    )
    if request.method == "POST" and form.is_valid():
        try:
            record = again_if_overtaken(lambda: _stored(form))
        except IntegrityError:
            # Two people can pass the form's check at one moment; the database lets only one through.
            form.add_error(None, "Somebody stored the same thing at this moment. Look at it, then send this again.")
        else:
            messages.success(request, f"Saved: {record}")
            return redirect(after or record.get_absolute_url())
    if form.is_bound:
        form.say_what_was_understood()
    status = 422 if form.is_bound else 200
    template = context.pop("template", "buildlog/record_form.html")
    return render(request, template, {"form": form, "heading": title, "back": back, **context}, status=status)


def _stored(form: RecordForm) -> Any:
    with transaction.atomic():
        return form.save()


def remove_record(request: HttpRequest, record: Model, *, back: str, after: str) -> HttpResponse:
    """Ask once, then remove. Records that others rest on are kept, and the page says which."""
    if request.method == "POST":
        name = str(record)
        try:
            again_if_overtaken(record.delete)
        except (ProtectedError, RestrictedError) as error:
            messages.warning(request, f"{name} is kept: {what_rests_on_it(error)} rest on it. Remove those first.")
            return redirect(back)
        messages.success(request, f"Removed: {name}")
        return redirect(after)
    return render(request, "buildlog/remove.html", {"record": record, "back": back})


def what_rests_on_it(error: ProtectedError | RestrictedError) -> str:
    """The kinds of records that a refused removal would have orphaned, in words."""
    held = error.protected_objects if isinstance(error, ProtectedError) else error.restricted_objects
    return " and ".join(sorted({str(record._meta.verbose_name_plural) for record in held}))
