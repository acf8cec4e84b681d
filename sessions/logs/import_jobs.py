"""Imports that take longer than a request may: asked for by a page, done by a process of its own.

Each worker process of the server has a thread that looks for what is to be done, claims it and starts `manage.py
import_log`, whose memory goes with it. A claim is an update of one row under a lock and runs out after `CLAIM`; while
it reads, the process renews it. So no import is done twice, and one whose process or machine died is taken up by
whoever looks next. What was claimed away, cancelled or removed meanwhile is noticed when the claim is renewed, and at
the latest in the transaction that stores the result.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable
from datetime import timedelta

from django.conf import settings
from django.db import DatabaseError, close_old_connections, connection, transaction
from django.utils import timezone

from buildlog.storage import full_disk
from sessions.logs.csv_layout import Layout
from sessions.logs.csv_reading import check_choices
from sessions.logs.ingest import read_stored
from sessions.logs.meanings import Mapping
from sessions.logs.models import Log, LogImport
from sessions.logs.series import NotARecording

AT_ONCE_BYTES = 4 * 1024 * 1024
"""A file up to this size is read while the page waits: some hundred thousand rows, a fifth of a second here and some
seconds on the slowest board. A proxy gives an answer up after 60 s."""
CLAIM = timedelta(seconds=60)
RENEW_AFTER_S = 2.0
LOOK_EVERY_S = 15.0
MOST_ATTEMPTS = 3
BROKEN_OFF = f"The import was broken off {MOST_ATTEMPTS} times. The server may have too little memory for it."
MOST_AT_ONCE = 2
"""So many imports run on all workers together: each takes up to 160 MB and a processor."""

State = LogImport.State
UNCLAIMED = {"claim": None, "claimed_until": None}
log_lines = logging.getLogger(__name__)


class ClaimLost(Exception):
    """The import was cancelled, asked for anew, removed with its log, or taken over."""


def import_log(log: Log, layout: Layout | None = None, mapping: Mapping | None = None) -> bool:
    """Import a stored file at once where it is small, and True then; else in the background.

    Raises NotARecording with a sentence, which stays with the log.
    """
    if log.size_bytes > AT_ONCE_BYTES:
        if layout is not None and mapping is not None:
            check_choices(layout, mapping)
        ask_for(log, layout, mapping)
        return False
    # What was asked for before, and cancelled or could not be done, is settled with it.
    settled = LogImport.objects.filter(log=log)
    read_stored(log, layout, mapping, before_it_is_stored=settled.delete)
    return True


def ask_for(log: Log, layout: Layout | None = None, mapping: Mapping | None = None) -> None:
    """Have a log imported in the background. What was asked for before is dropped: the newest choice counts."""
    chosen = {"layout": layout.as_json() if layout else {}, "mapping": mapping.as_json() if mapping else {}}
    begun = {"state": State.WAITING, **UNCLAIMED, "attempts": 0, "rows_read": 0, "bytes_read": 0}
    asked = {"asked_at": timezone.now(), **chosen, **begun}
    with transaction.atomic():
        LogImport.objects.update_or_create(log=log, defaults=asked)
        Log.objects.filter(pk=log.pk).update(problem="")
        transaction.on_commit(_asked.set)


def cancel(log: Log) -> bool:
    """Cancel the import of a log; False where none was going on."""
    pending = LogImport.objects.filter(log=log, state__in=(State.WAITING, State.RUNNING))
    return bool(pending.update(state=State.CANCELLED, **UNCLAIMED))


def claim_next() -> LogImport | None:
    """Claim the oldest import that nobody works on; None where there is none, or enough are going on."""
    unfinished = LogImport.objects.filter(state__in=(State.WAITING, State.RUNNING))
    if not unfinished.exists():
        return None
    now = timezone.now()
    with transaction.atomic():
        # All of them are locked, in one order, so that two who look at once do not both count the same ones.
        rows = list(unfinished.select_for_update().order_by("pk"))
        running = [row for row in rows if row.claimed_until is not None and row.claimed_until > now]
        free = sorted((row for row in rows if row not in running), key=lambda row: row.asked_at)
        for row in free:
            if row.attempts >= MOST_ATTEMPTS:
                _fail(row, BROKEN_OFF)
        free = [row for row in free if row.attempts < MOST_ATTEMPTS]
        if not free or len(running) >= MOST_AT_ONCE:
            return None
        job = free[0]
        job.state, job.claim, job.claimed_until = State.RUNNING, uuid.uuid4(), now + CLAIM
        job.attempts, job.rows_read, job.bytes_read = job.attempts + 1, 0, 0
        job.save()
        return job


def give_back(claim: uuid.UUID | None) -> None:
    """Make an import free for others whose process ended before it was done."""
    LogImport.objects.filter(claim=claim, state=State.RUNNING).update(state=State.WAITING, **UNCLAIMED)


def _fail(job: LogImport, sentence: str) -> None:
    with transaction.atomic():
        if LogImport.objects.filter(pk=job.pk, claim=job.claim).update(state=State.FAILED, **UNCLAIMED):
            Log.objects.filter(pk=job.log_id).update(problem=sentence)


def do(job: LogImport) -> None:
    """Import what was claimed. Raises what neither the file nor a full disk is to blame for."""
    log = Log.objects.filter(pk=job.log_id).first()
    if log is None:
        return
    renewed_at = time.monotonic()

    def renew(rows: int, size: int) -> None:
        nonlocal renewed_at
        if time.monotonic() - renewed_at < RENEW_AFTER_S:
            return
        held = LogImport.objects.filter(pk=job.pk, claim=job.claim)
        if not held.update(rows_read=rows, bytes_read=size, claimed_until=timezone.now() + CLAIM):
            raise ClaimLost
        renewed_at = time.monotonic()

    def finish() -> None:
        # In the transaction that stores the columns: either both are done, or neither.
        if not LogImport.objects.filter(pk=job.pk, claim=job.claim).delete()[0]:
            raise ClaimLost

    try:
        layout, mapping = _chosen(job)
        read_stored(log, layout, mapping, progress=renew, before_it_is_stored=finish)
    except ClaimLost:
        log_lines.info("The import of log %s is not wanted any more.", log.pk)
    except NotARecording as error:
        _fail(job, str(error))
    except (OSError, DatabaseError) as error:
        if not full_disk.is_full(error):
            raise
        _fail(job, f"{full_disk.sentence(settings.DATA)} Make room, then import the log again.")


def _chosen(job: LogImport) -> tuple[Layout | None, Mapping | None]:
    if not job.layout:
        return None, None
    try:
        return Layout.from_json(job.layout), Mapping.from_json(job.mapping)
    except ValueError as error:
        # Written by hand in the database, or by another version.
        raise NotARecording(f"{error} Choose what its columns mean again.") from None


def do_next(work: Callable[[uuid.UUID], int]) -> bool:
    """Claim one import and have it done; False where there is none to do. `work` gives an exit code."""
    job = claim_next()
    if job is None or job.claim is None:
        return False
    if work(job.claim) != 0:
        give_back(job.claim)
    return True


def in_a_process_of_its_own(claim: uuid.UUID) -> int:
    """Import what is claimed; the exit code of the process that did."""
    # Not kept open for minutes: a database server ends connections that are idle.
    connection.close()
    command = [sys.executable, str(settings.PROJECT / "manage.py"), "import_log", str(claim)]
    # One thread of the linear algebra: more only wait for each other. Temporary files on the disk of the data.
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "TMPDIR": tempfile.gettempdir()}
    return subprocess.run(command, cwd=settings.PROJECT, env=environment, stdin=subprocess.DEVNULL).returncode


_asked = threading.Event()


def start() -> None:
    """Look for imports from a thread of this process, for as long as it lives."""
    threading.Thread(target=_watch, name="imports of logs", daemon=True).start()


def _watch() -> None:
    while True:
        # What this process was asked for begins at once; what others left is looked for now and then.
        _asked.wait(LOOK_EVERY_S)
        _asked.clear()
        try:
            while do_next(in_a_process_of_its_own):
                pass
        except (OSError, DatabaseError) as error:
            print(f"Imports of logs cannot go on for now: {error}", file=sys.stderr)
        finally:
            close_old_connections()
