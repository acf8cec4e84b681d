"""What the server writes down of each request, and what it never writes down.

With `BUILDLOG_LOG=json` every request is one line of JSON, and so is everything else that is said; otherwise
only trouble, refusals, and changes and removals of records (`record_log`) are written, in plain lines. No line
holds a key: whatever reads like one is masked, wherever it stands.
"""

from __future__ import annotations

import logging
import re
import time
import uuid
from collections.abc import Callable
from contextvars import ContextVar
from typing import Any
from urllib.parse import quote

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils.encoding import escape_uri_path
from pythonjsonlogger.json import JsonFormatter

from buildlog.people.client_address import client_address, comes_from_trusted_proxy

HEADER = "X-Request-ID"
REFUSED = (400, 401, 403, 429)
GIVEN_ID = re.compile(r"[A-Za-z0-9-]{8,64}")
MASK = "***"
# Every repetition has an end, so that the time stays in proportion to the text, whatever the text is.
MASKED = (
    (re.compile(r"(/(?:invitation|shared|new-password/[^/\s]{1,200})/)[^/\s?\"'<>]+"), rf"\1{MASK}"),
    (re.compile(r"(?i)\b(bearer|basic|token)\s{1,4}[\w.~+/=-]{8,}"), rf"\1 {MASK}"),
    # A name and what it is set to, as in a form, in JSON, in an environment or in Python's own words.
    (re.compile(r"""(?ix)
        ((?:firnlog_|csrfmiddlewaretoken|passw(?:or)?d|secret)\w{0,40} | (?:\b|_)key\b)
        ((?: \\{0,4}["']?\s{0,4}[=:] | ["']\s{0,4}, )\s{0,4}[\[(]{0,2}\\{0,4}(?:b(?=["']))?)
        (?: "(?:[^"\\\n]|\\.)*"? | '(?:[^'\\\n]|\\.)*'? | [^\s"'&;,]+ )
     """), rf"\1\2{MASK}"),
    (re.compile(r"(://[^\s:/@]{0,200}:)[^\s\"'<>]{1,400}@"), rf"\1{MASK}@"),
)  # fmt: skip
SHORTEST_SECRET = 8
"""Shorter ones are also words, which would vanish from every line."""
# A key is random and long; a UUID names a record, and is no secret.
RANDOM = re.compile(r"[A-Za-z0-9_-]{40,}")

REQUEST_FIELDS = ("client", "account", "device", "method", "path", "status", "duration_ms")
LINE_FIELDS = ("at", "level", "from", "request", "message", *REQUEST_FIELDS, "error")

_request_id: ContextVar[str] = ContextVar("request_id", default="")
logger = logging.getLogger("buildlog.requests")


def masked(text: str) -> str:
    """The text without what lets somebody in: this installation's own secrets, and whatever reads like one."""
    for secret in (
        settings.SECRET_KEY,
        settings.SET["BUILDLOG_S3_SECRET_KEY"],
        settings.DATABASES["default"].get("PASSWORD", ""),
    ):
        if len(secret) >= SHORTEST_SECRET:
            text = text.replace(secret, MASK).replace(quote(secret, safe=""), MASK)
    for pattern, instead in MASKED:
        text = pattern.sub(instead, text)
    return RANDOM.sub(lambda found: MASK if _is_mixed(found[0]) else found[0], text)


def _is_mixed(word: str) -> bool:
    """Words of one's own language and rules of dashes are long too; random ones mix digits and both cases."""
    return bool(re.search(r"\d", word) and re.search(r"[a-z]", word) and re.search(r"[A-Z]", word))


class RequestLog:
    """Middleware; stands before all others, so that it sees what they answer."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        began = time.perf_counter()
        given = request.headers.get(HEADER, "")
        believed = GIVEN_ID.fullmatch(given) and comes_from_trusted_proxy(request)
        name = given if believed else uuid.uuid4().hex
        known = _request_id.set(name)
        try:
            response = self.get_response(request)
            response[HEADER] = name
            # Only an account that was asked for anyway: writing a line must not cost a query.
            account, device = getattr(request, "_cached_user", None), getattr(request, "auth", None)
            fields = {
                "client": client_address(request),
                "account": device.account_id if device else getattr(account, "pk", None),
                "device": getattr(device, "pk", None),
                "method": str(request.method),
                "path": request.path,
                "status": response.status_code,
                "duration_ms": round((time.perf_counter() - began) * 1000, 1),
            }
            logger.log(
                logging.WARNING if response.status_code in REFUSED else logging.INFO,
                "%s %s %s for %s",
                *(fields["method"], escape_uri_path(request.path), fields["status"], _who(fields)),
                extra=fields,
            )
            return response
        finally:
            _request_id.reset(known)


def _who(fields: dict[str, Any]) -> str:
    named = [f"{kind} {fields[kind]}" for kind in ("account", "device") if fields[kind] is not None]
    return ", ".join([*named, fields["client"] or "this machine"])


class JsonLines(JsonFormatter):
    """Whatever else a record carries, such as the framework's request with its cookies, stays out of the line."""

    def __init__(self) -> None:
        renamed = {"levelname": "level", "name": "from", "exc_info": "error"}
        super().__init__(
            ["levelname", "name", "message"], timestamp="at", rename_fields=renamed, json_ensure_ascii=False
        )

    def process_log_record(self, log_data: dict[str, Any]) -> dict[str, Any]:
        log_data["level"] = log_data["level"].lower()
        log_data["request"] = _request_id.get()
        line = {name: log_data[name] for name in LINE_FIELDS if name in log_data}
        return {name: masked(value) if isinstance(value, str) else value for name, value in line.items()}


class PlainLines(logging.Formatter):
    converter = staticmethod(time.gmtime)

    def format(self, record: logging.LogRecord) -> str:
        return masked(super().format(record))


def logging_settings(form: str) -> dict[str, Any]:
    """Django's `LOGGING` for lines of the form "plain" or "json", on standard error."""
    as_json = form == "json"
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "json": {"()": "buildlog.hosting.request_log.JsonLines"},
            "plain": {
                "()": "buildlog.hosting.request_log.PlainLines",
                "format": "%(asctime)sZ %(levelname)s %(message)s",
            },
        },
        "handlers": {"lines": {"class": "logging.StreamHandler", "formatter": form}},
        "loggers": {
            "django": {"handlers": ["lines"], "level": "INFO" if as_json else "ERROR", "propagate": False},
            # The requests' own lines say what these would: each page that is missing or refused.
            "django.request": {"level": "ERROR"},
            "django.utils.autoreload": {"level": "WARNING"},
            "buildlog": {"handlers": ["lines"], "level": "INFO" if as_json else "WARNING", "propagate": False},
            "waitress": {"handlers": ["lines"], "level": "WARNING", "propagate": False},
            # A line for every request that has to wait for a thread.
            "waitress.queue": {"level": "ERROR"},
            # Who changed and who removed a record is written in either form.
            "buildlog.records": {"level": "INFO"},
        },
    }
