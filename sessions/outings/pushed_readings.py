"""Readings that come in numbers: a list in one request, and what a device sends by itself."""

from __future__ import annotations

import uuid
from datetime import datetime
from typing import Any

from django.db import IntegrityError
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from rest_framework import serializers

from buildlog.people.models import DeviceToken
from buildlog.records.put_record import ChangedElsewhere, Precondition, put_record
from sessions.outings.models import Session
from sessions.outings.serializers import ReadingSerializer

MOST_AT_ONCE = 1000


def take_readings(rows: list[Any], device: DeviceToken | None) -> list[dict[str, Any]]:
    """Store each reading, and say in the same order what became of it.

    A device may leave `session` out: then `at`, a time of day with its offset, finds the session of its
    machine that was going then. Without an `id`, a device's reading is known by its session and time.

    Raises ValidationError when more come at once than are taken.
    """
    if len(rows) > MOST_AT_ONCE:
        raise serializers.ValidationError([f"At most {MOST_AT_ONCE} readings are taken at once; send them in parts."])
    going = list(_sessions_of(device)) if device is not None else []
    return [_take(row, device, going) for row in rows]


def _sessions_of(device: DeviceToken) -> Any:
    found = Session.objects.filter(revision__vehicle=device.vehicle_id).order_by("-started_at")
    return found.values_list("pk", "started_at", "ended_at")[:200]


def _take(row: Any, device: DeviceToken | None, going: list[Any]) -> dict[str, Any]:
    try:
        if not isinstance(row, dict):
            raise serializers.ValidationError({"non_field_errors": ["A reading is a table of names and values."]})
        told = dict(row)
        if device is not None:
            _find_session(told, going)
        key = _key(told, device)
        told.pop("id", None)
        stored = put_record(
            lambda instance: ReadingSerializer(instance, data=told), key, Precondition(must_be_new=True)
        )
    except ChangedElsewhere as error:
        return {"outcome": "differs", "errors": {"detail": error.sentence}}
    except serializers.ValidationError as error:
        return {"outcome": "refused", "errors": error.detail}
    except IntegrityError:
        return {"outcome": "refused", "errors": {"non_field_errors": ["The database refused this: it breaks a rule."]}}
    return {"id": str(key), "outcome": "stored" if stored.made else "was there"}


def _find_session(told: dict[str, Any], going: list[Any]) -> None:
    """Put in the session and the time into it that a device's reading belongs to."""
    if told.get("session"):
        if str(told["session"]) not in {str(pk) for pk, _, _ in going}:
            raise serializers.ValidationError({"session": ["This is no session of the device's machine."]})
        return
    at = _moment(told.pop("at", None))
    for pk, started_at, ended_at in going:
        if started_at <= at <= (ended_at or started_at + Session.STILL_GOING):
            told["session"] = str(pk)
            told.setdefault("time_into_session_s", (at - started_at).total_seconds())
            return
    raise serializers.ValidationError({"at": ["No session of the device's machine was going then. Start one first."]})


def _moment(told: Any) -> datetime:
    try:
        found = parse_datetime(told) if isinstance(told, str) else None
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise serializers.ValidationError(
            {"at": ["Give the time of day with its offset, for example 2026-01-17T11:05:30+02:00, or a session."]}
        )
    return found.astimezone(timezone.get_default_timezone())


def _key(told: dict[str, Any], device: DeviceToken | None) -> uuid.UUID:
    given = told.get("id")
    if given is not None:
        try:
            return uuid.UUID(str(given))
        except ValueError:
            raise serializers.ValidationError({"id": [f"{str(given)[:80]!r} is not a UUID."]}) from None
    if device is None:
        return uuid.uuid4()
    # The same reading sent again has the same session and time, and so the same key.
    return uuid.uuid5(uuid.NAMESPACE_OID, f"{device.pk}/{told.get('session')}/{told.get('time_into_session_s')}")
