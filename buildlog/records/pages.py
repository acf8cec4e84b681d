"""The two pages every record has: its form, and its removal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Model, QuerySet
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse

from buildlog.people.signed_in import SignedInRequest
from buildlog.records import history, removal
from buildlog.records.form_checks import CHECK, SCRIPT, Says, checked, show
from buildlog.records.form_merge import Beginning, Change, Conflict, Merge
from buildlog.records.forms import RecordForm
from buildlog.records.kept_forms import CHOSEN, FOR, KEPT, MAKE, KeptForm, keep, waiting_form
from buildlog.storage.conflicts import retry_on_conflict

MAKE_ANEW = "make_anew"


@dataclass
class Attempt:
    """The outcome of sending a form."""

    form: RecordForm[Any]
    record: Any = None
    changed: frozenset[str] = frozenset()
    elsewhere: list[Change] = field(default_factory=list)
    conflicts: list[tuple[Conflict, list[Any]]] = field(default_factory=list)
    no_beginning: bool = False
    is_new: bool = False
    was_removed: bool = False
    may_be_stored: bool = True
    """False for a record that was removed meanwhile, until a person confirms that it is created again."""

    @property
    def status(self) -> int:
        return 409 if self.conflicts or not self.may_be_stored else 422


THEN, ANOTHER = "then", "another"
"""The name of the buttons that save and go elsewhere, and the value of the one that opens the same form again."""
DRAFT = "draft"
"""What the script of a form calls the draft that it keeps in the browser."""


class Then(NamedTuple):
    """A further button of a form: it saves, and goes on to `page`, an address or what the saved record makes it of."""

    value: str
    label: str
    page: str | Callable[[Any], str]

    def address(self, record: Any) -> str:
        return self.page if isinstance(self.page, str) else self.page(record)


def write_record(
    request: SignedInRequest,
    form_class: type[RecordForm[Any]],
    instance: Model,
    *,
    title: str,
    back: str,
    after: str | None = None,
    on_created: Callable[[Any], Any] | None = None,
    says: Says | None = None,
    then: Sequence[Then] = (),
    **context: Any,
) -> HttpResponse:
    """Show the form, or store what was sent. Typed values stay in the form until they are valid.

    A form that changes a record writes only the fields that were changed in it, and never overwrites what others
    stored since it was opened. `on_created` is called with a record that was stored for the first time. `says` works
    out what follows from the record, for the form to show before it is saved; `then` has further buttons.
    """
    initial = context.pop("initial", None)
    template = context.pop("template", "records/record_form.html")
    waiting = waiting_form(request)
    context |= {"heading": title, "back": back, "then": then, "says": says is not None}
    context["history_kind"] = history.kind_of(instance)
    if waiting is not None:
        context |= {"back": waiting.coming_back(), "then": (), "waiting": waiting}
    if request.method != "POST":
        form = _opened(request, form_class, instance, initial)
        if says is not None and not instance._state.adding:
            # What follows from the record as it is stored.
            context["consequences"] = says(instance, request.user.unit_system)
        return render(request, template, {"form": form, **context})
    if (makes := form_class.makes.get(request.POST.get(MAKE, ""))) is not None:
        kept = keep(request, request.POST[MAKE])
        return redirect(f"{reverse(makes.page)}?{urlencode({FOR: kept.token})}")
    if CHECK in request.POST or form_class.is_search(request.POST) or form_class.is_filled_by(request.POST):
        return _unsaved(request, form_class, instance, initial, says, template, context)
    attempt = _attempt(request, form_class, instance, initial)
    if attempt.record is None:
        attempt.form.show_understood_values()
        return render(request, template, {"form": attempt.form, "attempt": attempt, **context}, status=attempt.status)
    if attempt.is_new and on_created is not None:
        on_created(attempt.record)
    messages.success(request, f"Saved: {attempt.record}{_kept_in_words(attempt.elsewhere)}")
    for line in attempt.form.clocks_in_words():
        messages.info(request, line)
    return redirect(_next_page(request, attempt.record, after, then, waiting))


def _next_page(
    request: HttpRequest, record: Any, after: str | None, then: Sequence[Then], waiting: KeptForm | None
) -> str:
    """Where a saved form leads; the fragment tells the browser which draft it can forget."""
    page = after or record.get_absolute_url()
    for button in then:
        if request.POST.get(THEN) == button.value:
            page = button.address(record)
    if waiting is not None:
        page = waiting.coming_back(record.pk)
    draft = request.POST.get(DRAFT, "")
    return f"{page}#saved-{draft}" if draft.isalnum() and len(draft) <= 40 and "#" not in page else page


def _opened(
    request: SignedInRequest, form_class: type[RecordForm[Any]], instance: Any, initial: dict[str, Any] | None
) -> RecordForm[Any]:
    """The form as it is first shown, or as it was left to make a record for it."""
    kept = waiting_form(request, KEPT)
    if kept is not None and kept.address.partition("?")[0] == request.path:
        return _unchecked(request, form_class, instance, initial, kept.filled(request.GET.get(CHOSEN, "")))
    form = form_class(instance=instance, unit_system=request.user.unit_system, initial=initial)
    if _is_a_change(form_class, instance):
        # Initial values from the address are not stored yet, so they are not what the form began from.
        plain = form_class(instance=instance, unit_system=request.user.unit_system) if initial else form
        form.carry(Beginning.of(plain))
    return form


def _unsaved(
    request: SignedInRequest,
    form_class: type[RecordForm[Any]],
    instance: Any,
    initial: dict[str, Any] | None,
    says: Says | None,
    template: str,
    context: dict[str, Any],
) -> HttpResponse:
    """An answer that stores nothing: what a search finds, or what the form says as it stands."""
    began = Beginning.read(request.POST)
    units = began.unit_system if began else request.user.unit_system
    data = form_class.filled(request.POST, units)
    if CHECK not in request.POST:
        form = _unchecked(request, form_class, instance, initial, data)
        form.show_understood_values()
        return render(request, template, {"form": form, **context})
    form = form_class(data, instance=instance, unit_system=units, initial=initial)
    if began is not None:
        form.carry(began)
    if request.POST[CHECK] == SCRIPT:
        return checked(form, says)
    consequences = show(form, says)
    return render(request, template, {"form": form, "consequences": consequences, **context})


def _unchecked(
    request: SignedInRequest,
    form_class: type[RecordForm[Any]],
    instance: Any,
    initial: dict[str, Any] | None,
    data: QueryDict,
) -> RecordForm[Any]:
    """The form as it was typed, without looking for mistakes."""
    began = Beginning.read(data)
    units = began.unit_system if began else request.user.unit_system
    form = form_class(data, instance=instance, unit_system=units, initial=initial)
    if began is not None:
        form.carry(began)
    form.leave_unchecked()
    return form


def _is_a_change(form_class: type[RecordForm[Any]], instance: Model) -> bool:
    return form_class.has_defaults or not instance._state.adding


def _kept_in_words(changes: list[Change]) -> str:
    if not changes:
        return ""
    return f". Changed elsewhere meanwhile, and kept: {', '.join(change.label for change in changes)}"


def _attempt(
    request: SignedInRequest, form_class: type[RecordForm[Any]], instance: Model, initial: dict[str, Any] | None
) -> Attempt:
    began = Beginning.read(request.POST)
    units = began.unit_system if began else request.user.unit_system
    last: list[Attempt] = []

    def attempt() -> Attempt:
        with transaction.atomic():
            last.append(_merged(form_class, instance, request, began, units, initial))
            current = last[-1]
            # Begun before the form is checked, which gives the record what was typed.
            with history.changing(current.form.instance) as change:
                if current.form.is_valid() and not current.conflicts and current.may_be_stored:
                    current.record = current.form.save()
                    change.fields = current.changed
            return current

    try:
        return retry_on_conflict(attempt)
    except IntegrityError:
        # Two people can pass the form's checks at the same time; the database stores only one.
        refused = last[-1]
        refused.form.add_error(None, "Somebody stored the same thing at this moment. Look at it, then send this again.")
        return refused


def _merged(
    form_class: type[RecordForm[Any]],
    instance: Any,
    request: HttpRequest,
    began: Beginning | None,
    units: str,
    initial: dict[str, Any] | None,
) -> Attempt:
    """What was sent, merged with the record as stored now, which is locked until this is stored."""
    stored = type(instance)._base_manager.select_for_update().filter(pk=instance.pk).first()
    if stored is None and not form_class.has_defaults:
        if not instance._state.adding and not form_class.can_be_recreated:
            raise Http404
        return _creation(form_class, instance, request, began, units, initial)
    stored = instance if stored is None else stored
    form_class.lock(stored)
    plain = form_class(instance=stored, unit_system=units)
    merge = Merge(plain, request.POST, began)
    form = form_class(merge.data, request.FILES, instance=stored, unit_system=units)
    form.carry(merge.beginning)
    form.written, form.conflicting_names = frozenset(merge.written), merge.conflicting_names
    conflicts = [(conflict, [form[name] for name in conflict.names]) for conflict in merge.conflicts]
    return Attempt(form, None, frozenset(merge.changed), merge.elsewhere, conflicts, no_beginning=began is None)


def _creation(
    form_class: type[RecordForm[Any]],
    instance: Any,
    request: HttpRequest,
    began: Beginning | None,
    units: str,
    initial: dict[str, Any] | None,
) -> Attempt:
    """A new record; or one that was removed while its form was open, which is created again only on confirmation."""
    instance._state.adding = True
    form = form_class(request.POST, request.FILES, instance=instance, unit_system=units, initial=initial)
    if began is not None:
        form.carry(began)
    was_removed = began is not None
    may_be_stored = not was_removed or MAKE_ANEW in request.POST
    return Attempt(form, is_new=True, was_removed=was_removed, may_be_stored=may_be_stored)


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
    """The form of a stored record, or of one that was removed while its form was open.

    `back` leads to the page that shows the record; `list_page` names the page to return to when the record is gone.
    Raises Http404 for an unknown key.
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
    """An unsaved record under the key of the removed one, to hold what was typed.

    Raises Http404 when no form was open, or when what it belonged to is removed too.
    """
    began = Beginning.read(request.POST) if request.method == "POST" else None
    if began is None or not form_class.can_be_recreated:
        raise Http404
    return model(pk=key, **{name: _parent(model, name, began.belongs_to.get(name)) for name in form_class.belongs_to})


def _parent(model: type[Model], name: str, value: str | None) -> Any:
    column: Any = model._meta.get_field(name)
    if not column.is_relation:
        if value not in dict(column.flatchoices):
            raise Http404
        return value
    if column.null and not value:
        return None
    try:
        parent = column.related_model._base_manager.filter(pk=value).first()
    except (ValidationError, ValueError):
        parent = None
    if parent is None:
        raise Http404(f"The {column.related_model._meta.verbose_name} it belonged to was removed.")
    return parent


def remove_record(request: SignedInRequest, record: Model, *, back: str, after: str) -> HttpResponse:
    """Ask once, then remove. A record on which others depend is kept, and the page names them."""
    name = str(record)
    try:
        if request.method != "POST":
            removal.check(record, request.user)
            return render(request, "records/remove.html", {"record": record, "back": back})
        removal.remove(record, request.user)
    except removal.HasDependents as error:
        messages.warning(request, str(error))
        return redirect(back)
    except removal.NotPermitted as error:
        raise PermissionDenied(str(error)) from None
    messages.success(request, f"Removed: {name}")
    return redirect(after)
