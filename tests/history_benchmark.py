"""What keeping history costs: `python -m tests.history_benchmark [ROUNDS]`.

A pass is stored as a phone stores it, and changed as a form of the API changes it, on a file on this disk, with history
kept and with it taken out; both turns alternate, so that a slow moment of the disk meets both. Goal: a PUT takes at
most 1.5 times as long. The page of the list is read with both too: it never asks for history.
"""

import contextlib
import json
import os
import statistics
import sys
import tempfile
import time
import uuid
from typing import Any
from unittest import mock

FOLDER = tempfile.TemporaryDirectory(prefix="firnlog-history-")
os.environ["BUILDLOG_DATA_DIR"] = FOLDER.name
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "buildlog.config.settings")

import django  # noqa: E402

django.setup()

from django.conf import settings  # noqa: E402
from django.core.management import call_command  # noqa: E402
from django.db import connection  # noqa: E402
from django.test import Client  # noqa: E402
from django.test.utils import CaptureQueriesContext  # noqa: E402

from buildlog.models import Account  # noqa: E402
from buildlog.records import history  # noqa: E402
from sessions.demo import loading  # noqa: E402
from sessions.models import Pass  # noqa: E402

GOAL = 1.5


def no_kind(record: Any) -> str:
    """No record's history is kept."""
    return ""


def turn(client: Any, body: dict[str, Any]) -> tuple[float, float, str]:
    """Seconds of storing a new pass and of changing it by PUT, and its key."""
    key = str(uuid.uuid4())
    address = f"/api/v1/passes/{key}/"
    began = time.perf_counter()
    answer = client.put(address, body, content_type="application/json")
    stored_s = time.perf_counter() - began
    assert answer.status_code == 201, answer.content
    changed = {**body, "duration_s": 7.5, "version": answer.json()["version"]}
    began = time.perf_counter()
    answer = client.put(address, changed, content_type="application/json")
    assert answer.status_code == 200, answer.content
    return stored_s, time.perf_counter() - began, key


def main(rounds: int = 150) -> dict[str, Any]:
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    call_command("migrate", verbosity=0)
    loading.load()
    client = Client(headers={"host": "localhost"})
    client.force_login(Account.objects.create_user("mara", role="owner"))
    like = Pass.objects.filter(gate__isnull=False).first()
    assert like is not None
    times: dict[tuple[str, bool], list[float]] = {}
    for number in range(2 * rounds + 4):
        is_kept = number % 2 == 0
        body = {
            "session": str(like.session_id), "gate": str(like.gate_id), "number": 1000 + number, "direction": "out",
            "method": "stopwatch", "duration_s": 7.25, "sequence": 100_000 * (number + 1),
        }  # fmt: skip
        with contextlib.nullcontext() if is_kept else mock.patch.object(history, "kind_of", no_kind):
            stored_s, changed_s, _ = turn(client, body)
        if number >= 4:
            times.setdefault(("new", is_kept), []).append(stored_s)
            times.setdefault(("change", is_kept), []).append(changed_s)
    medians = {key: statistics.median(values) for key, values in times.items()}
    queries = {}
    for is_kept in (True, False):
        with contextlib.nullcontext() if is_kept else mock.patch.object(history, "kind_of", no_kind):
            client.get("/sessions/")
            with CaptureQueriesContext(connection) as captured:
                client.get("/sessions/")
        queries[is_kept] = len(captured)
    figures = {
        f"PUT, {kind}": {
            "with history ms": round(1000 * medians[kind, True], 2),
            "without ms": round(1000 * medians[kind, False], 2),
            "ratio": round(medians[kind, True] / medians[kind, False], 2),
        }
        for kind in ("new", "change")
    }
    missed = [name for name, row in figures.items() if row["ratio"] > GOAL]
    return {
        "rounds": rounds,
        **figures,
        "queries of the list": queries[True],
        "without": queries[False],
        "missed": missed,
    }


if __name__ == "__main__":
    print(json.dumps(main(*map(int, sys.argv[1:2])), indent=1))
