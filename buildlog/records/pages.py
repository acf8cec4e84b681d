"""The two pages every record has: one to write it, one to remove it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Model, QuerySet
from django.http import Http404, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse

from buildlog.people.signed_in import SignedInRequest
from buildlog.records import change_log, removal
from buildlog.records.form_merge import Beginning, Change, Conflict, Merge
from buildlog.records.forms import RecordForm
from buildlog.storage.conflicts import again_if_overtaken

MAKE_ANEW = "make_anew"


@dataclass
class Attempt:
    """One try at storing a form: what came of it, and what a person has to know."""

    form: RecordForm[Any]
    record: Any = None
    changed: frozenset[str] = frozenset()
    elsewhere: list[Change] = field(default_factory=list)
    conflicts: list[tuple[Conflict, list[Any]]] = field(default_factory=list)
    no_beginning: bool = False
    is_new: bool = False
    was_removed: bool = False
    is_asked_for: bool = True
    """Whether it may be stored: a record that was removed is only made again when somebody says so."""

    @property
    def status(self) -> int:
        return 409 if self.conflicts or not self.is_asked_for else 422


def write_record(
    request: SignedInRequest,
    form_class: type[RecordForm[Any]],
    instance: Model,
    *,
    title: str,
    back: str,
    after: str | None = None,
    made: Callable[[Any], Any] | None = None,
    **context: Any,
) -> HttpResponse:
    """Show the form, or store what was sent. What was typed stays in the form until it is right.

    A form that changes a record writes only what was changed in it, and nothing over what others stored
    since it was opened. `made` is called with a record that was stored for the first time.
    """
    initial = context.pop("initial", None)
    template = context.pop("template", "records/record_form.html")
    context |= {"heading": title, "back": back}
    if request.method != "POST":
        form = form_class(instance=instance, unit_system=request.user.unit_system, initial=initial)
        if _is_a_change(form_class, instance):
            # What the address brings along is not stored yet, so the form does not begin from it.
            plain = form_class(instance=instance, unit_system=request.user.unit_system) if initial else form
            form.carry(Beginning.of(plain))
        return render(request, template, {"form": form, **context})
    attempt = _attempt(request, form_class, instance, initial)
    if attempt.record is None:
        attempt.form.say_what_was_understood()
        return render(request, template, {"form": attempt.form, "attempt": attempt, **context}, status=attempt.status)
    change_log.note_change(attempt.record, attempt.changed)
    if attempt.is_new and made is not None:
        made(attempt.record)
    messages.success(request, f"Saved: {attempt.record}{_kept(attempt.elsewhere)}")
    return redirect(after or attempt.record.get_absolute_url())


def _is_a_change(form_class: type[RecordForm[Any]], instance: Model) -> bool:
    return form_class.is_always_there or not instance._state.adding


def _kept(elsewhere: list[Change]) -> str:
    if not elsewhere:
        return ""
    return f". Changed elsewhere meanwhile, and kept: {', '.join(one.label for one in elsewhere)}"


def _attempt(
    request: SignedInRequest, form_class: type[RecordForm[Any]], instance: Model, initial: dict[str, Any] | None
) -> Attempt:
    began = Beginning.read(request.POST)
    units = began.unit_system if began else request.user.unit_system
    last: list[Attempt] = []

    def attempt() -> Attempt:
        with transaction.atomic():
            last.append(_merged(form_class, instance, request.POST, began, units, initial))
            made = last[-1]
            if made.form.is_valid() and not made.conflicts and made.is_asked_for:
                made.record = made.form.save()
            return made

    try:
        return again_if_overtaken(attempt)
    except IntegrityError:
        # Two people can pass the form's check at one moment; the database lets only one through.
        refused = last[-1]
        refused.form.add_error(None, "Somebody stored the same thing at this moment. Look at it, then send this again.")
        return refused


def _merged(
    form_class: type[RecordForm[Any]],
    instance: Any,
    posted: QueryDict,
    began: Beginning | None,
    units: str,
    initial: dict[str, Any] | None,
) -> Attempt:
    """What was sent, laid over the record as it stands now. Nobody else changes it until this is stored."""
    there = type(instance)._base_manager.select_for_update().filter(pk=instance.pk).first()
    if there is None and not form_class.is_always_there:
        if not instance._state.adding and not form_class.can_be_made_anew:
            raise Http404
        return _anew(form_class, instance, posted, began, units, initial)
    there = instance if there is None else there
    form_class.lock(there)
    plain = form_class(instance=there, unit_system=units)
    merge = Merge(plain, posted, began)
    form = form_class(merge.data, instance=there, unit_system=units)
    form.carry(merge.beginning)
    form.written, form.set_apart = frozenset(merge.written), merge.set_apart
    conflicts = [(one, [form[name] for name in one.names]) for one in merge.conflicts]
    return Attempt(form, None, frozenset(merge.changed), merge.elsewhere, conflicts, no_beginning=began is None)


def _anew(
    form_class: type[RecordForm[Any]],
    instance: Any,
    posted: QueryDict,
    began: Beginning | None,
    units: str,
    initial: dict[str, Any] | None,
) -> Attempt:
    """A new record; or one that was removed while its form was open, which is only made again when asked for."""
    instance._state.adding = True
    form = form_class(posted, instance=instance, unit_system=units, initial=initial)
    if began is not None:
        form.carry(began)
    was_removed = began is not None
    return Attempt(form, is_new=True, was_removed=was_removed, is_asked_for=not was_removed or MAKE_ANEW in posted)


def change_record(
    request: SignedInRequest,
    form_class: type[RecordForm[Any]],
    rows: QuerySet[Any],
    key: Any,
    *,
    title: Callable[[Any], str] = lambda record: f"Edit {record}",
    back: Callable[[Any], str] = lambda record: record.get_absolute_url(),
    list_page: str = "",
    **more: Any,
) -> HttpResponse:
    """The form of a record that is there, or that was removed while its form was open.

    `back` leads to the page that shows the record; `list_page` names the one that is left when there is
    none any more. Raises Http404 for a key of no record.
    """
    record = rows.filter(pk=key).first()
    if record is not None:
        heading, page = title(record), back(record)
    else:
        record = _removed(request, form_class, rows.model, key)
        heading = f"Removed meanwhile: {record._meta.verbose_name}"
        page = reverse(list_page) if list_page else back(record)
    return write_record(request, form_class, record, title=heading, back=page, after=back(record), **more)


def _removed(request: SignedInRequest, form_class: type[RecordForm[Any]], model: type[Model], key: Any) -> Any:
    """An unsaved record under the key of the one that is gone, for what was typed.

    Raises Http404 when no form was open, or when what it belonged to is gone too.
    """
    began = Beginning.read(request.POST) if request.method == "POST" else None
    if began is None or not form_class.can_be_made_anew:
        raise Http404
    return model(pk=key, **{name: _parent(model, name, began.belongs_to.get(name)) for name in form_class.belongs_to})


def _parent(model: type[Model], name: str, value: str | None) -> Any:
    column: Any = model._meta.get_field(name)
    if not column.is_relation:
        if value not in dict(column.flatchoices):
            raise Http404
        return value
    try:
        found = column.related_model._base_manager.filter(pk=value).first()
    except (ValidationError, ValueError):
        found = None
    if found is None:
        raise Http404(f"The {column.related_model._meta.verbose_name} it belonged to was removed.")
    return found


def remove_record(request: SignedInRequest, record: Model, *, back: str, after: str) -> HttpResponse:
    """Ask once, then remove. Records that others rest on are kept, and the page says which."""
    name = str(record)
    try:
        if request.method != "POST":
            removal.check(record, request.user)
            return render(request, "records/remove.html", {"record": record, "back": back})
        removal.remove(record, request.user)
    except removal.OthersRestOnIt as error:
        messages.warning(request, str(error))
        return redirect(back)
    except removal.NotYours as error:
        raise PermissionDenied(str(error)) from None
    messages.success(request, f"Removed: {name}")
    return redirect(after)
