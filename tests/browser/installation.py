"""A whole installation of its own on loopback, as a person runs it, that a test may kill and start again."""

import contextlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

from tests.browser.waits import wait_until
from tests.servers import free_port, without_settings

PROJECT = Path(__file__).resolve().parents[2]
PASSWORD = "frost-and-chain-77"
FILL = f"""
from datetime import date
from buildlog.models import *
from sessions.models import *
for name, role in (("ilo", "builder"), ("mara", "recorder"), ("oona", "owner")):
    Account.objects.create_user(name, password="{PASSWORD}", role=role, is_staff=role == "owner",
                                is_superuser=role == "owner")
sled = Vehicle.objects.create(name="Bench sled")
revision = Revision.objects.create(vehicle=sled, number=3, date=date(2026, 1, 10), status="riding",
                                   track_width_m=1.2, mass_without_rider_kg=90.0, cg_height_m=0.35)
module = Part.objects.create(name="Module", category="battery_module", mass_kg=4.5, specification=dict(
    nominal_voltage_v=50.4, full_voltage_v=58.8, empty_voltage_v=35.0, capacity_ah=12.0))
Fitting.objects.create(revision=revision, part=module, quantity=4, series=1, parallel=4)
venue = Venue.objects.create(name="Test lake")
gate = Gate.objects.create(venue=venue, name="Straight", u_distance_m=0.02)
GateMark.objects.bulk_create([GateMark(gate=gate, position_m=0.0), GateMark(gate=gate, position_m=100.0)])
for name in ("chain came off", "belt slipped"):
    FailureMode.objects.create(name=name)
card = TestCard.objects.create(revision=revision, title="First cold day", limits="Below 40 km/h",
                               stops_the_day="Water on the ice")
TestCardItem.objects.create(card=card, position=1, what="Six passes both ways")

import json, os
from pathlib import Path
from django.conf import settings
from django.test import Client
sign_ins = {{}}
for account in Account.objects.all():
    visitor = Client()
    visitor.force_login(account, settings.AUTHENTICATION_BACKENDS[-1])
    cookie = visitor.cookies[settings.SESSION_COOKIE_NAME]
    sign_ins[account.username] = dict(name=cookie.key, value=cookie.value)
Path(os.environ["BUILDLOG_DATA_DIR"], "sign-ins.json").write_text(json.dumps(sign_ins))

"""
COLLECT = """
from django.conf import settings
from buildlog.hosting.static_files import collect_once
collect_once(settings.DATA, print)
"""


class Installation:
    """`manage.py serve` with a data folder of its own, on SQLite."""

    def __init__(self, folder, project=PROJECT, **settings):
        self.folder, self.project, self.port = Path(folder), Path(project), free_port()
        # Chromium maps this name to loopback, to try an origin without HTTPS.
        self.settings = settings or {"BUILDLOG_HOSTS": "shed.test", "BUILDLOG_BACKUP_HOURS": "0"}
        self.process = None
        # A test may kill it in the middle of a request, which is another thread than the one that starts it again.
        self.starting_or_ending = threading.Lock()

    @property
    def url(self):
        return f"http://127.0.0.1:{self.port}"

    def sign_in_cookie(self, name):
        """The cookie of a sign-in made beforehand: a password takes half a second to check, by design."""
        return {**json.loads((self.folder / "sign-ins.json").read_text())[name], "url": self.url}

    def environment(self):
        return {**without_settings(), "BUILDLOG_DATA_DIR": str(self.folder), **self.settings}

    def run(self, *command):
        """A management command of this installation, and all it said."""
        return subprocess.run(
            [sys.executable, "manage.py", *command], cwd=self.project, env=self.environment(),
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip

    @classmethod
    def copy_of(cls, filled, folder, **settings):
        """On a copy of a filled folder. Collected static files are linked: nobody changes them."""

        def copy(source, target):
            return (os.link if "/static-" in source else shutil.copy2)(source, target)

        shutil.copytree(filled, folder, copy_function=copy)
        return cls(folder, **settings)

    def fill(self):
        """Put the records into its database, which is up to date, and collect the static files."""
        command = [sys.executable, "manage.py", "shell", "--verbosity=0", "-c", FILL + COLLECT]
        subprocess.run(command, cwd=self.project, env=self.environment(), check=True, stdout=subprocess.DEVNULL)

    def start(self):
        command = [sys.executable, "manage.py", "serve", "--port", str(self.port)]
        with self.starting_or_ending:
            self.process = subprocess.Popen(
                command, cwd=self.project, env=self.environment(), start_new_session=True,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
        for _ in range(900):
            try:
                urllib.request.urlopen(self.url + "/field/", timeout=1).read()
                return self
            except (urllib.error.URLError, OSError):
                time.sleep(0.1)
        self.kill()
        raise RuntimeError("The installation did not start.")

    def kill(self):
        """As a power cut would: nothing is finished, nobody is told."""
        with self.starting_or_ending:
            if self.process is not None:
                os.killpg(self.process.pid, signal.SIGKILL)
                self.process.wait()
                self.process = None

    def reset(self, filled):
        """Bring the running installation's records back to those of a filled folder."""
        shutil.rmtree(self.folder / "media", ignore_errors=True)
        source, target = (sqlite3.connect(Path(folder) / "buildlog.sqlite3") for folder in (filled, self.folder))
        with contextlib.closing(source), contextlib.closing(target):
            source.backup(target)

    def rows(self, table, columns="*"):
        query = f"SELECT {columns} FROM {table}"  # noqa: S608
        with contextlib.closing(
            sqlite3.connect(f"file:{self.folder}/buildlog.sqlite3?mode=ro", uri=True)
        ) as connection:
            return connection.execute(query).fetchall()

    def count(self, table):
        return self.rows(table, "count(*)")[0][0]

    def comes_to(self, table, number):
        """Wait until a table holds that many rows."""
        wait_until(lambda: self.count(table) == number, lambda: f"{table} has {self.count(table)} rows, not {number}")
