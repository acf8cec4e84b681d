"""How many requests somebody may make, so that one account, key or address keeps no other out.

Each process counts by itself, in memory: a limit against a program that went wild, not an account of use. A minute's
requests may come at once; then they come as fast as the setting says. Of what takes long to answer, one account may
have two in work in a process, which has four threads. Static files are not counted.
"""

from __future__ import annotations

import hashlib
import math
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.contrib.auth import SESSION_KEY
from django.http import HttpRequest, HttpResponse

from buildlog.hosting.error_pages import too_many
from buildlog.people.client_address import client_address

COSTLY = {
    "compare", "import_notebook", "read_archive", "read_in", "revision_report", "shared", "suggest_card",
    "vehicle_archive", "vehicle_bench", "vehicle_season", "vehicle_table", "what_if",
}  # fmt: skip
"""Names of pages that take long where a season is large."""
COSTLY_AT_ONCE = 2
MOST_REMEMBERED = 10_000


class Allowance:
    """What is left to each of a minute's requests; it fills up again all the time."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._left: dict[str, tuple[float, float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, key: str, a_minute: int) -> int:
        """0 where one more request is allowed, which is then counted; else the whole seconds to wait."""
        now = self._clock()
        with self._lock:
            left, since = self._left.pop(key, (float(a_minute), now))
            left = min(a_minute, left + (now - since) * a_minute / 60)
            wait_s = 0 if left >= 1 else math.ceil((1 - left) * 60 / a_minute)
            # The one that asked last stands last.
            self._left[key] = (left if wait_s else left - 1, now)
            if len(self._left) > MOST_REMEMBERED:
                del self._left[next(iter(self._left))]
        return wait_s


class RequestRate:
    """Place after CsrfViewMiddleware: what was typed into a form that is refused stands in the answer."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response
        self.allowance = Allowance()
        self.in_work: dict[str, int] = defaultdict(int)
        self.lock = threading.Lock()

    def __call__(self, request: HttpRequest) -> HttpResponse:
        request.costly_key = ""  # type: ignore[attr-defined]
        try:
            return self.get_response(request)
        finally:
            if key := request.costly_key:  # type: ignore[attr-defined]
                with self.lock:
                    self.in_work[key] -= 1
                    if not self.in_work[key]:
                        del self.in_work[key]

    def process_view(self, request: HttpRequest, view: Any, arguments: Any, names: Any) -> HttpResponse | None:
        a_minute = settings.SET["BUILDLOG_REQUEST_RATE"]
        if not a_minute:
            return None
        key = _who(request)
        if wait_s := self.allowance.wait_s(key, a_minute):
            return too_many(request, wait_s)
        if request.resolver_match is not None and request.resolver_match.url_name in COSTLY:
            with self.lock:
                if self.in_work[key] >= COSTLY_AT_ONCE:
                    return too_many(request, 2)
                self.in_work[key] += 1
            request.costly_key = key  # type: ignore[attr-defined]
        return None


def _who(request: HttpRequest) -> str:
    """The account, the device's key by its hash, or the address of a stranger."""
    if account := request.session.get(SESSION_KEY):
        return f"account {account}"
    if key := request.headers.get("Authorization"):
        return f"key {hashlib.sha256(key.encode()).hexdigest()}"
    return f"address {client_address(request)}"
