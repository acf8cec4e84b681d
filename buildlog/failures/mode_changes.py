"""Renaming and joining failure modes, so that nothing of their history is lost."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.db import transaction

from buildlog.failures.models import Failure, FailureMode, ModeChange, SignOff
from buildlog.people import current_account
from buildlog.records import history
from calc.mode_names import one_form


def rename(mode: FailureMode, name: str) -> FailureMode:
    """Give a mode another name; the old one still leads to it. Raises ValidationError with a sentence."""
    with transaction.atomic():
        stored = FailureMode.objects.select_for_update().get(pk=mode.pk)
        before = stored.name
        with history.changing(stored) as change:
            stored.name = name
            stored.full_clean()
            if stored.name != before:
                stored.save()
                _note(stored, ModeChange.Kind.RENAMED, before)
                change.fields = {"name"}
    return stored


def join(mode: FailureMode, into: FailureMode) -> FailureMode:
    """Move all failures of a mode, on every machine, to another one; its name leads there from then on.

    What was signed on either of them still counts only as far as the joined records bear it out.
    """
    with transaction.atomic():
        stored = {row.pk: row for row in FailureMode.objects.select_for_update().filter(pk__in=[mode.pk, into.pk])}
        if len(stored) < 2:
            raise ValidationError("Choose another mode that is still there.")
        failures = list(Failure.objects.filter(mode=mode))
        moved = [str(failure.pk) for failure in failures]
        for failure in failures:
            _move(failure, into)
        for signed in SignOff.objects.filter(mode=mode):
            _move(signed, into)
        ModeChange.objects.filter(mode=mode).update(mode=into)
        _note(into, ModeChange.Kind.JOINED, mode.name, old_mode=mode.pk, failures=moved)
        stored[mode.pk].delete()
    return stored[into.pk]


def take_apart(change: ModeChange) -> FailureMode:
    """Undo a join: the mode is there again, with those of its failures that still belong to the other."""
    with transaction.atomic():
        change = ModeChange.objects.select_for_update().get(pk=change.pk)
        mode = FailureMode(name=change.old_name, **({"pk": change.old_mode} if change.old_mode else {}))
        if FailureMode.objects.filter(key=one_form(change.old_name)).exists():
            raise ValidationError(f"There is a mode “{change.old_name}” again already.")
        change.delete()
        mode.save(force_insert=True)
        for failure in Failure.objects.filter(pk__in=change.failures, mode=change.mode_id):
            _move(failure, mode)
    return mode


def _move(record: Failure | SignOff, mode: FailureMode) -> None:
    """Give a record another mode; that it had an earlier one is in its history."""
    with history.changing(record) as change:
        record.mode = mode
        record.save(update_fields=["mode"])
        change.fields = {"mode"}


def _note(mode: FailureMode, kind: str, old_name: str, **more: object) -> None:
    ModeChange.objects.create(
        mode=mode,
        kind=kind,
        old_name=old_name,
        old_key=one_form(old_name),
        account=current_account.account(),
        **more,
    )
