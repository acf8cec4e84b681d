"""One size: makes its season in the data folder and prints what each page costs, as JSON. Run by `report`."""

from __future__ import annotations

import gc
import gzip
import json
import os
import sys
import time
import uuid
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, NamedTuple

import django

if __name__ == "__main__":
    # Threads of the linear algebra that wait for each other would count as processor time of the page.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    django.setup()

from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext, override_settings

from buildlog.models import Account
from sessions.models import Gate, Session
from tests.large_season import fill
from tests.page_costs.addresses import pages_of
from tests.page_costs.bare_pages import BARE_ROWS
from tests.page_costs.costs import Cost, Page, goal_of

ROUNDS, ROUNDS_S = (3, 25), 0.5
"""Each page is asked for at least and at most so often, and no longer than this once it was asked for often enough; a
page without a goal only the least number of times."""
SLOW_S = 2.0
"""A page that takes longer is asked for once: chance matters little to it."""


class Running(NamedTuple):
    seconds: float
    bare_seconds: float


def timed(
    ours: Callable[[], object], bare: Callable[[], object], clock: Callable[[], float], most_rounds: int = ROUNDS[1]
) -> Running:
    """The least of each, asked for in turn, so that a busy moment of the machine meets both."""
    least = [float("inf"), float("inf")]
    began = time.monotonic()
    for round_number in range(most_rounds):
        if round_number >= ROUNDS[0] and time.monotonic() - began > ROUNDS_S:
            break
        for index, work in enumerate((ours, bare)):
            start = clock()
            work()
            least[index] = min(least[index], clock() - start)
    return Running(*least)


def _kb_of(name: str) -> int:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1])
    raise LookupError(name)


def grown_mb(work: Callable[[], object]) -> float:
    """By how much this process grows at most meanwhile: the high-water mark of its memory, set back before."""
    gc.collect()
    Path("/proc/self/clear_refs").write_text("5")
    before_kb = _kb_of("VmRSS")
    work()
    return max(0, _kb_of("VmHWM") - before_kb) / 1024


def measure(size: int) -> dict[str, Any]:
    """Make the season of this size and measure every page of it."""
    storage = {**settings.STORAGES, "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}}
    with override_settings(ALLOWED_HOSTS=["testserver"], STORAGES=storage, ROOT_URLCONF="tests.page_costs.bare_pages"):
        call_command("migrate", verbosity=0)
        began = time.monotonic()
        vehicle = fill(size)
        say(f"a season of {size} sessions made in {time.monotonic() - began:.0f} s")
        client = Client(headers={"Accept-Encoding": "gzip"})
        client.force_login(Account.objects.create_user("owner", role="owner"))
        idle_mb, costs = _kb_of("VmRSS") / 1024, {}
        for page in pages_of(client, vehicle):
            began = time.monotonic()
            costs[page.name] = asdict(cost_of(client, page))
            say(f"{size}: {page.name} in {time.monotonic() - began:.1f} s")
        costs["PUT of a pass"] = asdict(put_cost(client, vehicle))
        gc.collect()
        return {"costs": costs, "idle_mb": idle_mb, "after_mb": _kb_of("VmRSS") / 1024}


def say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


@dataclass
class Answer:
    """One answer, read to its end, with what it took."""

    status: int
    sent: bytes
    is_compressed: bool
    queries: int
    seconds: float
    peak_mb: float

    @property
    def whole(self) -> bytes:
        return gzip.decompress(self.sent) if self.is_compressed else self.sent


def cost_of(client: Any, page: Page) -> Cost:
    def ours() -> tuple[Any, bytes]:
        answer = client.get(page.address)
        return answer, answer.getvalue()

    # The first answer compiles templates and fills caches, as a process does once.
    answer = _looked_at(ours)
    assert answer.status == 200, f"{page.name}: {page.address} answers {answer.status}"
    is_slow = answer.seconds > SLOW_S
    if not is_slow:
        answer = _looked_at(ours)
    whole = answer.whole
    if page.model is not None:
        BARE_ROWS[page.name] = page
        bare_address = f"/bare/rows/{page.name}/"
    else:
        bare_address = f"/bare/bytes/{max(1, (len(whole) - 2_000) // 175)}/"
    assert client.get(bare_address).status_code == 200, bare_address
    if is_slow:
        bare_s = timed(lambda: None, lambda: client.get(bare_address), time.process_time).bare_seconds
        running = Running(answer.seconds, bare_s)
    else:
        rounds = ROUNDS[1] if goal_of(page.name) else ROUNDS[0]
        running = timed(ours, lambda: client.get(bare_address), time.process_time, rounds)
    return Cost(
        running.seconds / running.bare_seconds,
        1000 * running.seconds,
        1000 * running.bare_seconds,
        answer.queries,
        len(answer.sent),
        len(whole),
        answer.peak_mb,
    )


def _looked_at(ask: Callable[[], tuple[Any, bytes]]) -> Answer:
    answers: list[tuple[Any, bytes]] = []
    with CaptureQueriesContext(connection) as captured:
        began = time.process_time()
        peak_mb = grown_mb(lambda: answers.append(ask()))
        seconds, queries = time.process_time() - began, len(captured)
    answer, sent = answers[0]
    is_compressed = answer.headers.get("Content-Encoding") == "gzip"
    return Answer(answer.status_code, sent, is_compressed, queries, seconds, peak_mb)


def put_cost(client: Any, vehicle: Any) -> Cost:
    """A new pass, stored as the field page sends it, against one stored with nothing checked."""
    session = Session.objects.filter(revision__vehicle=vehicle).order_by("-started_at").first()
    gate = Gate.objects.get()
    sequence = iter(range(10**6))

    def put(address: str) -> Any:
        number = next(sequence)
        body = {
            "session": str(session.pk), "gate": str(gate.pk), "number": 100 + number, "direction": "out",
            "method": "stopwatch", "duration_s": 7.25, "sequence": 1000 * number,
        }  # fmt: skip
        answer = client.put(f"{address}{uuid.uuid4()}/", body, content_type="application/json")
        assert answer.status_code == 201, answer.content
        return answer

    put("/api/v1/passes/"), put("/bare/pass/")
    with CaptureQueriesContext(connection) as captured:
        answer = put("/api/v1/passes/")
    queries = len(captured)
    peak_mb = grown_mb(lambda: put("/api/v1/passes/"))
    # By the clock on the wall: most of both is the disk, which must hold the pass before the answer.
    running = timed(lambda: put("/api/v1/passes/"), lambda: put("/bare/pass/"), time.perf_counter)
    size = len(answer.content)
    return Cost(running.seconds / running.bare_seconds, 1000 * running.seconds, 1000 * running.bare_seconds,
                queries, size, size, peak_mb)  # fmt: skip


if __name__ == "__main__":
    print(json.dumps(measure(int(sys.argv[1]))))
