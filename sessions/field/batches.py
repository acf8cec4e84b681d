"""Several records of a phone in one request, each answered as if it had come alone.

Each goes through the view of its own address, so no rule is known twice; each has its own transaction, and one that
is refused holds up no other.
"""

from __future__ import annotations

import io
import json
import logging
import uuid
from typing import Any

from django.http import HttpRequest
from django.urls import get_script_prefix, resolve, reverse
from rest_framework import serializers

from buildlog.records.doubts import add_doubts
from sessions.field.unsent_file import KINDS

MOST_AT_ONCE = 100
METHODS = ("PUT", "PATCH", "DELETE")
EXAMPLE = (
    'Send records, for example {"records": [{"kind": "passes", "id": "0b3f6a52-…", "method": "PUT", "body": {}}]}.'
)

logger = logging.getLogger(__name__)


def answers_to(request: HttpRequest, content: Any) -> list[dict[str, Any]]:
    """Status and body of each record's own answer, in order. Raises ValidationError for what is no list of records."""
    entries = content.get("records") if isinstance(content, dict) else None
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise serializers.ValidationError({"detail": EXAMPLE})
    if len(entries) > MOST_AT_ONCE:
        raise serializers.ValidationError({"detail": f"At most {MOST_AT_ONCE} records at once."})
    checked = [_checked(entry) for entry in entries]
    answers = [_answer(request, entry) for entry in checked]
    _add_doubts(checked, answers)
    return answers


def _add_doubts(entries: list[dict[str, Any]], answers: list[dict[str, Any]]) -> None:
    """What is doubted about the stored records: read once for all of a kind, because a session of thousands of readings
    takes longer to read than fifty more take to store."""
    stored: dict[str, list[dict[str, Any]]] = {}
    for entry, answer in zip(entries, answers, strict=True):
        if entry["method"] != "DELETE" and answer["status"] in (200, 201):
            stored.setdefault(entry["kind"], []).append(answer["body"])
    for kind, bodies in stored.items():
        try:
            add_doubts(KINDS[kind].Meta.model, bodies)
        except Exception:
            # They are stored all the same, and that must be said.
            logger.exception("What is doubted about records of a phone could not be read.")


def _checked(entry: dict[str, Any]) -> dict[str, Any]:
    if entry.get("kind") not in KINDS or entry.get("method") not in METHODS:
        raise serializers.ValidationError({"detail": EXAMPLE})
    try:
        return {**entry, "id": uuid.UUID(str(entry.get("id")))}
    except ValueError:
        raise serializers.ValidationError({"detail": f"A key is not a UUID. {EXAMPLE}"}) from None


def _answer(request: HttpRequest, entry: dict[str, Any]) -> dict[str, Any]:
    address = reverse(f"api-{entry['kind']}-detail", args=[entry["id"]])
    match = resolve("/" + address.removeprefix(get_script_prefix()))
    try:
        response = match.func(_alone(request, entry, address), *match.args, **match.kwargs)
        response.render()
        return {"id": str(entry["id"]), "status": response.status_code, "body": json.loads(response.content or b"null")}
    except Exception:
        # One record at which the server fails must not take the others with it.
        logger.exception("A record of a phone failed: %s", address)
        return {"id": str(entry["id"]), "status": 500, "body": None}


def _alone(request: HttpRequest, entry: dict[str, Any], address: str) -> HttpRequest:
    """The record as a request of its own, by the account that sent them all."""
    body = json.dumps(entry.get("body") or {}).encode()
    alone: Any = HttpRequest()
    alone.method, alone.path, alone.path_info = entry["method"], address, address
    alone.META = {name: value for name, value in request.META.items() if name not in ("HTTP_IF_MATCH",)} | {
        "REQUEST_METHOD": entry["method"],
        "CONTENT_TYPE": "application/json",
        "CONTENT_LENGTH": str(len(body)),
        "HTTP_IF_MATCH": str(entry.get("if_match") or ""),
        "HTTP_IF_NONE_MATCH": str(entry.get("if_none_match") or ""),
    }
    alone.COOKIES, alone.user, alone.session = request.COOKIES, request.user, request.session
    alone.doubts_follow = True
    alone._stream, alone._read_started = io.BytesIO(body), False
    # The request that carries it was checked.
    alone._dont_enforce_csrf_checks = True
    return alone  # type: ignore[no-any-return]
