"""Asking this installation over its own base URL, to see what the proxies on the way make of a request."""

from __future__ import annotations

import http.client
import json
import ssl
from typing import Any

from django.conf import settings
from django.core import signing
from django.http import HttpRequest
from django.urls import reverse

from buildlog.hosting.connection import SeenRequest
from buildlog.photos.pictures import LARGEST_BYTES

HEADER = "X-Firnlog-Probe"
_SALT = "buildlog.hosting.probe"
TIMEOUT_S = 10
# A proxy refuses by the announced length, before anything of it is sent.
REFUSAL_WAIT_S = 2


class NoAnswer(Exception):
    """Says in a sentence what came instead."""


def is_ours(request: HttpRequest) -> bool:
    try:
        signing.loads(request.headers.get(HEADER, ""), salt=_SALT, max_age=60)
    except signing.BadSignature:
        return False
    return True


def ask() -> SeenRequest:
    """What arrived here of a request to the base URL."""
    connection = _connection()
    url = _address()
    try:
        connection.request("GET", reverse("connection_seen"), headers={HEADER: signing.dumps("", salt=_SALT)})
        answer = connection.getresponse()
        body = answer.read(100_000)
    except ssl.SSLCertVerificationError as error:
        raise NoAnswer(
            f"The certificate at {url} is not one that this machine trusts ({error.verify_message}). Phones that do "
            "not trust it keep no page for use without a network."
        ) from None
    except (OSError, http.client.HTTPException) as error:
        raise NoAnswer(
            f"Nothing answers at {url} ({error}). Start the server and the proxy, then check again."
        ) from None
    finally:
        connection.close()
    if answer.status in (301, 302, 303, 307, 308):
        raise NoAnswer(f"{url} leads away to {answer.headers.get('Location', 'elsewhere')}, which is not the base URL.")
    try:
        facts: dict[str, Any] = json.loads(body)
        return SeenRequest(**facts)
    except (ValueError, TypeError):
        pass
    why = "does it pass this path on to this installation?"
    if answer.status == 400:
        why = "does it pass on the Host that people open? In nginx: proxy_set_header Host $http_host;"
    raise NoAnswer(f"What answers at {url} is not this log (status {answer.status}). If a proxy is there: {why}")


def refuses_photos() -> bool:
    """Whether something on the way refuses the largest photo that this site takes."""
    connection = _connection()
    try:
        connection.putrequest("POST", reverse("connection_seen"))
        connection.putheader(HEADER, signing.dumps("", salt=_SALT))
        connection.putheader("Content-Type", "application/octet-stream")
        connection.putheader("Content-Length", str(LARGEST_BYTES))
        connection.endheaders()
        if connection.sock is not None:
            connection.sock.settimeout(REFUSAL_WAIT_S)
        answer = connection.getresponse()
        # What this site answers carries its own headers; it refuses a stranger's large request as well.
        return answer.status == 413 and "Permissions-Policy" not in answer.headers
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def _address() -> str:
    return f"{settings.BASE_URL.origin}{reverse('connection_seen')}"


def _connection() -> http.client.HTTPConnection:
    kind = http.client.HTTPSConnection if settings.BASE_URL.is_https else http.client.HTTPConnection
    return kind(settings.BASE_URL.netloc, timeout=TIMEOUT_S)
