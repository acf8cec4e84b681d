"""Phones that send a day's records all at once to a server with the means of a small board.

`python -m tests.faults.sixteen_phones [PHONES [RECORDS [AT_ONCE]]]` on a data folder that is filled. The server is what
`serve` starts, bound to one core and 1 GB of writable memory for each process; the phones, on another core where there
is one, keep a connection each, have a session each, and send their records AT_ONCE in a request: 50, as the field page
does with many (fewer where the server is slow or busy), or 1. Prints its figures as JSON.
"""

import contextlib
import http.client
import json
import os
import resource
import statistics
import sys
import threading
import time
import uuid
from pathlib import Path

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "buildlog.config.settings")
django.setup()

from django.conf import settings  # noqa: E402
from django.db import connections  # noqa: E402
from django.test import Client  # noqa: E402

from buildlog.models import Account  # noqa: E402
from sessions.models import Reading, Session  # noqa: E402
from tests.processes import LONGEST_WAIT_S, Process, tree  # noqa: E402
from tests.servers import free_port  # noqa: E402

MEMORY_BYTES = 1024**3
LONGEST_S = 1500
"""Less than what runs this waits for it, so that it can say how far it came."""


def like_a_board():
    """One core, and 1 GB that may be written, for this process and those it starts."""
    os.sched_setaffinity(0, {0})
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))


def memory_mb(pid):
    """Of all its processes together: what they share counts once (PSS)."""
    total_kb = 0
    for each in tree(pid):
        with contextlib.suppress(OSError):
            rows = Path(f"/proc/{each}/smaps_rollup").read_text().splitlines()
            total_kb += sum(int(row.split()[1]) for row in rows if row.startswith("Pss:"))
    return total_kb / 1000


def processor_s(pid):
    """Time of the processor that a process and all that it started have used."""
    ticks = 0
    for each in tree(pid):
        with contextlib.suppress(OSError):
            fields = Path(f"/proc/{each}/stat").read_text().rpartition(")")[2].split()
            ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


class Phone(threading.Thread):
    def __init__(self, number, port, cookies, session, records, at_once, start):
        super().__init__()
        self.number, self.port, self.cookies, self.start_all = number, port, cookies, start
        self.at_once = self.size = at_once
        self.waits_s, self.stored_after_s, self.answers, self.retries = [], [], [], 0
        self.left = [
            {
                "kind": "readings",
                "id": str(uuid.uuid4()),
                "method": "PUT",
                "if_none_match": "*",
                "body": {
                    "session": session,
                    "time_into_session_s": 10.0 * at,
                    "voltage_v": round(54 - at / 100 - number / 1000, 3),
                },
            }
            for at in range(records)
        ]
        self.keys = {record["id"] for record in self.left}

    def run(self):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=LONGEST_WAIT_S)
        headers = {
            "Content-Type": "application/json",
            "Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items()),
            "X-CSRFToken": self.cookies[settings.CSRF_COOKIE_NAME],
            "Host": f"localhost:{self.port}",
        }
        self.start_all.wait()
        ends = time.monotonic() + LONGEST_S
        while self.left and time.monotonic() < ends:
            block, began = self.left[: self.size], time.monotonic()
            try:
                connection.request("POST", "/api/v1/field/records/", json.dumps({"records": block}), headers)
                answer = connection.getresponse()
                content = answer.read()
            except (OSError, http.client.HTTPException):
                connection.close()
                self.retries += 1
                time.sleep(0.5)
                continue
            self.waits_s.append(time.monotonic() - began)
            if answer.status != 200:
                self.answers.append((answer.status, content.decode()[:100]))
                self.retries += 1
                self.size = min(self.size, 20)
                time.sleep(float(answer.headers.get("Retry-After") or 0.5))
                continue
            self.stored_after_s.append(self.waits_s[-1])
            if self.at_once > 1:
                self.size = next_size(self.size, len(block), json.loads(content)["took_s"])
            rows = json.loads(content)["answers"]
            confirmed = {row["id"] for row in rows if row["status"] in (200, 201)}
            self.answers += [(row["status"], str(row["body"])[:100]) for row in rows if row["id"] not in confirmed]
            self.retries += len(confirmed) < len(block)
            self.left = [record for record in self.left if record["id"] not in confirmed]


def next_size(size, sent, took_s):
    """As `static/field/batch_size.js` has it."""
    return round(max(10, min(50, 1.5 * size, 0.7 * sent / took_s)))


def signed_in(account):
    """Cookies of a browser that is signed in, which may send."""
    client = Client(headers={"host": "localhost"})
    client.force_login(account)
    client.get("/account/")
    return {name: cookie.value for name, cookie in client.cookies.items()}


def send_all(phones=16, records=300, at_once=50):
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    settings.STATIC_ROOT.mkdir(exist_ok=True)
    account = Account.objects.get(username="mara")
    like = Session.objects.select_related("revision").first()
    sessions = [
        str(Session.objects.create(revision=like.revision, venue=like.venue, started_at=like.started_at).pk)
        for _ in range(phones)
    ]
    cookies = [signed_in(account) for _ in range(phones)]
    before = Reading.objects.count()
    connections.close_all()
    port = free_port()
    command = [sys.executable, "manage.py", "serve", "--port", str(port)]
    server = Process(command, cwd=settings.PROJECT, preexec_fn=like_a_board)
    try:
        server.wait_for_answer(f"http://localhost:{port}/health/?of=database")
        os.sched_setaffinity(0, set(range(os.cpu_count() or 1)) - {0} or {0})
        idle_mb, idle_s = memory_mb(server.pid), processor_s(server.pid)
        start = threading.Barrier(phones + 1)
        crew = [
            Phone(number, port, cookies[number], sessions[number], records, at_once, start) for number in range(phones)
        ]
        for phone in crew:
            phone.start()
        start.wait()
        began, most_mb = time.monotonic(), idle_mb
        while any(phone.is_alive() for phone in crew):
            most_mb = max(most_mb, memory_mb(server.pid))
            time.sleep(0.2)
        seconds, busy_s = time.monotonic() - began, processor_s(server.pid) - idle_s
    finally:
        server.stop()
    keys = set().union(*(phone.keys for phone in crew))
    waits_s = sorted(wait for phone in crew for wait in phone.waits_s)
    stored_s = sorted(wait for phone in crew for wait in phone.stored_after_s)
    return {
        "phones": phones,
        "records": phones * records,
        "records in a request": at_once,
        "confirmed": sum(len(phone.keys) - len(phone.left) for phone in crew),
        "stored": sum(str(key) in keys for key in Reading.objects.values_list("pk", flat=True)),
        "new readings": Reading.objects.count() - before,
        "other answers": sorted({f"{status} {text}" for phone in crew for status, text in phone.answers})[:5],
        "sent again": sum(phone.retries for phone in crew),
        "requests": len(waits_s),
        "p95 wait of stored batches s": p95(stored_s),
        "median wait s": round(statistics.median(waits_s), 2),
        "p95 wait s": p95(waits_s),
        "longest wait s": round(waits_s[-1], 2),
        "records a second": round(phones * records / seconds),
        "memory idle MB": round(idle_mb),
        "memory at most MB": round(most_mb),
        "seconds": round(seconds, 1),
        "of these the processor worked for the server": round(busy_s, 1),
    }


def p95(ordered_s):
    return round(ordered_s[int(0.95 * (len(ordered_s) - 1))], 2)


if __name__ == "__main__":
    print(json.dumps(send_all(*map(int, sys.argv[1:4]))))
