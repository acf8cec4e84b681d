"""Archives of releases that stored the state of a failure: what was called held keeps that person's word."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.utils.dateparse import parse_datetime

from buildlog.failures.models import Failure, Modification, SignOff

NO_REASON = "Called held before reasons were kept."


def sign_what_was_held(data: dict[str, Any], known: Callable[[type[Any], str], Any]) -> None:
    """Sign the fixes of failures that the file calls held; `known` gives the stored key of a record of the file."""
    held = [row for row in data.get("failure") or () if isinstance(row, dict) and row.get("state") == "held"]
    keys = {key: str(row.get("id")) for row in held if (key := known(Failure, str(row.get("id"))))}
    steps = {
        str(row.get("failure_id")): row
        for row in data.get("failurechange") or ()
        if isinstance(row, dict) and row.get("to_state") == "held"
    }
    words: dict[tuple[Any, Any], SignOff] = {}
    for failure in Failure.objects.filter(pk__in=keys).select_related("revision"):
        vehicle, step = failure.revision.vehicle_id, steps.get(keys[failure.pk], {})
        of_mode = Failure.objects.filter(mode=failure.mode_id, revision__vehicle=vehicle)
        fixes = Modification.objects.filter(answers__in=of_mode, revision__number__gt=failure.revision.number)
        signed_at = parse_datetime(str(step.get("changed_at", "")))
        for fix in fixes.distinct():
            word = SignOff(
                vehicle_id=vehicle, mode_id=failure.mode_id, kind=SignOff.Kind.HELD, modification=fix, made_by=None,
                why=str(step.get("why") or NO_REASON)[:500], failures=of_mode.count(),
            )  # fmt: skip
            if signed_at is not None:
                word.signed_at = signed_at
            words[failure.mode_id, fix.pk] = word
    SignOff.objects.bulk_create(words.values())
