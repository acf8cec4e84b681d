"""Readings sent as a list in one request, or by a device on its own."""

from __future__ import annotations

import uuid
from datetime import datetime
from typing import Any

from django.db import IntegrityError
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from rest_framework import serializers

from buildlog.people.models import DeviceToken
from buildlog.records.doubts import add_doubts
from buildlog.records.put_record import ChangedElsewhere, Precondition, put_record
from sessions.outings.models import Reading, Session
from sessions.outings.serializers import ReadingSerializer

MOST_AT_ONCE = 1000


def take_readings(rows: list[Any], device: DeviceToken | None) -> list[dict[str, Any]]:
    """Store each reading, and return the outcomes in the same order, with what is doubted about those that are stored.

    A device may leave `session` out: then `at`, a time of day with its offset, finds the session of its
    machine that was going then. Without an `id`, a device's reading is known by its session and time.

    Raises ValidationError when there are more than are accepted at once.
    """
    if len(rows) > MOST_AT_ONCE:
        raise serializers.ValidationError([f"At most {MOST_AT_ONCE} readings are accepted at once; send more lists."])
    going = list(_sessions_of(device)) if device is not None else []
    outcomes = [_take(row, device, going) for row in rows]
    add_doubts(Reading, [outcome for outcome in outcomes if outcome["outcome"] in ("stored", "was there")])
    return outcomes


def _sessions_of(device: DeviceToken) -> Any:
    sessions = Session.objects.filter(revision__vehicle=device.vehicle_id).order_by("-started_at")
    return sessions.values_list("pk", "started_at", "ended_at")[:200]


def _take(row: Any, device: DeviceToken | None, going: list[Any]) -> dict[str, Any]:
    try:
        if not isinstance(row, dict):
            raise serializers.ValidationError({"non_field_errors": ["A reading is a table of names and values."]})
        payload = dict(row)
        if device is not None:
            _find_session(payload, going)
        key = _key(payload, device)
        payload.pop("id", None)
        stored = put_record(
            lambda instance: ReadingSerializer(instance, data=payload), key, Precondition(must_be_new=True)
        )
    except ChangedElsewhere as error:
        return {"outcome": "differs", "errors": {"detail": error.sentence}}
    except serializers.ValidationError as error:
        return {"outcome": "refused", "errors": error.detail}
    except IntegrityError:
        return {"outcome": "refused", "errors": {"non_field_errors": ["The database refused this: it breaks a rule."]}}
    return {"id": str(key), "outcome": "stored" if stored.created else "was there"}


def _find_session(payload: dict[str, Any], going: list[Any]) -> None:
    """Add the session of a device's reading, and the time into it, to the payload."""
    if payload.get("session"):
        if str(payload["session"]) not in {str(pk) for pk, _, _ in going}:
            raise serializers.ValidationError({"session": ["This is no session of the device's machine."]})
        return
    at = _moment(payload.pop("at", None))
    for pk, started_at, ended_at in going:
        if started_at <= at <= (ended_at or started_at + Session.STILL_GOING):
            payload["session"] = str(pk)
            payload.setdefault("time_into_session_s", (at - started_at).total_seconds())
            return
    raise serializers.ValidationError({"at": ["No session of the device's machine was going then. Start one first."]})


def _moment(value: Any) -> datetime:
    try:
        moment = parse_datetime(value) if isinstance(value, str) else None
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise serializers.ValidationError(
            {"at": ["Give the time of day with its offset, for example 2026-01-17T11:05:30+02:00, or a session."]}
        )
    return moment.astimezone(timezone.get_default_timezone())


def _key(payload: dict[str, Any], device: DeviceToken | None) -> uuid.UUID:
    stated = payload.get("id")
    if stated is not None:
        try:
            return uuid.UUID(str(stated))
        except ValueError:
            raise serializers.ValidationError({"id": [f"{str(stated)[:80]!r} is not a UUID."]}) from None
    if device is None:
        return uuid.uuid4()
    # The same reading sent again has the same session and time, and so the same key.
    return uuid.uuid5(uuid.NAMESPACE_OID, f"{device.pk}/{payload.get('session')}/{payload.get('time_into_session_s')}")
