"""A large season copied to PostgreSQL and home again: `python -m tests.copied_season [SESSIONS]`, 20,000 by itself.

With a history, a trash and a job of an import. Prints as JSON how many rows there are, how long each way took, and
whether the hashes of every table are those of the beginning.
"""

import json
import logging
import os
import sys
import time
from pathlib import Path

os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"

import django

django.setup()

from django.conf import settings  # noqa: E402
from django.core.files.base import ContentFile  # noqa: E402
from django.core.management import call_command  # noqa: E402
from django.db import transaction  # noqa: E402

from buildlog.hosting.data_copy import copy_everything, fingerprint, sqlite_file, temporary_alias  # noqa: E402
from buildlog.hosting.stores import database  # noqa: E402
from buildlog.models import Account  # noqa: E402
from buildlog.records import history, removal  # noqa: E402
from sessions.logs.ingest import store_log  # noqa: E402
from sessions.models import Pass, Session  # noqa: E402
from tests import large_season  # noqa: E402
from tests.servers import running_postgresql  # noqa: E402

CHANGES, REMOVALS = 2_000, 20


def fill(sessions):
    call_command("migrate", interactive=False, verbosity=0)
    large_season.fill(sessions)
    owner = Account.objects.create_user("mara", password="frost-and-chain-77", role="owner")
    for timed_pass in Pass.objects.order_by("pk")[:CHANGES]:
        with transaction.atomic(), history.changing(timed_pass) as change:
            timed_pass.duration_s += 0.1
            timed_pass.save()
            change.fields = ["duration_s"]
    for session in Session.objects.order_by("started_at")[:REMOVALS]:
        removal.remove(session, owner)
    points = "".join(f'<trkpt lat="60.00{n}" lon="25"/>' for n in range(9))
    head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="t">'
    content = f"{head}<trk><trkseg>{points}</trkseg></trk></gpx>".encode()
    store_log(Session.objects.first(), ContentFile(content, "track.gpx"))


def timed(source, target):
    began = time.monotonic()
    return copy_everything(source, target), round(time.monotonic() - began, 1)


def main(sessions=20_000):
    began = time.monotonic()
    fill(sessions)
    filled_s = round(time.monotonic() - began, 1)
    home = sqlite_file(Path(settings.DATA) / "home.sqlite3")
    with running_postgresql() as postgresql:
        address = postgresql.make_database("copied_season")
        with temporary_alias("server", database(address)), temporary_alias("home", home):
            there, there_s = timed("default", "server")
            back, back_s = timed("server", "home")
            begun, ended = fingerprint("default"), fingerprint("home")
    rows = {table.name: table.rows for table in begun.tables}
    of_interest = (
        "test_sessions_session",
        "test_sessions_pass",
        "reversion_version",
        "buildlog_removal",
        "test_sessions_log",
    )
    return {
        "sessions": sessions,
        "rows": begun.rows,
        "of these": {name: rows.get(name) for name in of_interest},
        "seconds to fill": filled_s,
        "seconds there": there_s,
        "seconds back": back_s,
        "equal hashes": begun == there == back == ended,
        "sha256": begun.sha256,
    }


if __name__ == "__main__":
    # A line for each of these changes would hide the figures.
    logging.disable(logging.INFO)
    print(json.dumps(main(*map(int, sys.argv[1:2])), indent=1))
