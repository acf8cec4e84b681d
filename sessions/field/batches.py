"""Several records of a phone in one request, each answered as if it had come alone.

Each goes through the view of its own address, so no rule is known twice, and one that is refused holds up no other.

Where a crew comes home, all its phones send at once. A process works on one batch at a time and asks the others to
come again in a moment, so that an answer that is given is given soon; two in one process would take twice as long each.
"""

from __future__ import annotations

import io
import json
import logging
import random
import threading
import uuid
from collections.abc import Callable
from typing import Any

from django.db import DatabaseError, connection, transaction
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.urls import get_script_prefix, resolve, reverse
from rest_framework import serializers

from buildlog.records.doubts import add_doubts
from sessions.field.unsent_file import KINDS

MOST_AT_ONCE = 100
METHODS = ("PUT", "PATCH", "DELETE")
EXAMPLE = (
    'Send records, for example {"records": [{"kind": "passes", "id": "0b3f6a52-…", "method": "PUT", "body": {}}]}.'
)

COME_AGAIN_S = (1, 3)
"""Between so many seconds, drawn anew for each: phones that were refused together do not come together again."""

logger = logging.getLogger(__name__)
at_work = threading.Lock()


class _FailedTogether(Exception):
    """The server failed at a record, so nothing of the batch may be stored by its common transaction."""


class OneBatchAtATime:
    """Answers 503 while this process works on another batch.

    Place before SessionMiddleware: that somebody was seen is written, too, and would wait for the other batch.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response
        self.address = ""

    def __call__(self, request: HttpRequest) -> HttpResponse:
        # Looked up at the first request: the addresses are not read yet where the server is put together. Under a
        # sub-path all requests of a process have the same.
        self.address = self.address or reverse("field_records")
        if request.path != self.address:
            return self.get_response(request)
        if not at_work.acquire(blocking=False):
            return JsonResponse(
                {"detail": "The server is storing records of another phone. Send these again in a moment."},
                status=503,
                headers={"Retry-After": str(random.randint(*COME_AGAIN_S))},
            )
        try:
            return self.get_response(request)
        finally:
            at_work.release()


def answers_to(request: HttpRequest, content: Any) -> list[dict[str, Any]]:
    """Status and body of each record's own answer, in order. Raises ValidationError for what is no list of records."""
    entries = content.get("records") if isinstance(content, dict) else None
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise serializers.ValidationError({"detail": EXAMPLE})
    if len(entries) > MOST_AT_ONCE:
        raise serializers.ValidationError({"detail": f"At most {MOST_AT_ONCE} records at once."})
    checked = [_checked(entry) for entry in entries]
    answers = _stored_together(request, checked) if connection.vendor == "sqlite" else None
    if answers is None:
        answers = [_answer(request, entry) for entry in checked]
    _add_doubts(checked, answers)
    return answers


def _stored_together(request: HttpRequest, entries: list[dict[str, Any]]) -> list[dict[str, Any]] | None:
    """All in one transaction: SQLite waits for the disk at each, and on a memory card fifty waits take a second.

    None where the server failed at one: then nothing is stored, and each is to be stored by itself. On a full disk
    SQLite may undo more than the statement that failed, so no answer given before counts.
    """
    answers = []
    try:
        with transaction.atomic():
            for entry in entries:
                answers.append(_answer(request, entry))
                if answers[-1]["status"] >= 500:
                    raise _FailedTogether
    except (_FailedTogether, DatabaseError):
        return None
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
