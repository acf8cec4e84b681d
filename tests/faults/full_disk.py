"""A disk that fills up under a running program: `python -m tests.faults.full_disk disk|limits`.

`disk`: the data folder is a small disk of its own, which is really filled. `limits`: where no disk can be made,
files may not grow beyond a size and the database not beyond a number of pages. Prints its figures as JSON.
"""

import contextlib
import json
import os
import resource
import sys
import uuid
from html.parser import HTMLParser

# isort: off
from tests.faults.writing import Phone  # sets the program up, which must come before the rest

from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client

from buildlog.people import sign_in_life
from buildlog.hosting.backups import making, status as backup_status
from buildlog.models import Account, DeviceToken, Photo, Vehicle
from sessions.models import Log, Reading
# isort: on

SENTENCE = "The disk of the server is full"


class RealDisk:
    """Filled by a file that is as large as what is left."""

    filler = settings.DATA / "filler.lock"

    def fill(self, left_bytes=0):
        with self.filler.open("wb") as file, contextlib.suppress(OSError):
            free = os.statvfs(settings.DATA)
            blocks = free.f_bavail - left_bytes // free.f_frsize
            file.write(b"x" * blocks * free.f_frsize)
            file.flush()

    def make_room(self):
        self.filler.unlink()


class Limits:
    def fill(self, left_bytes=0):
        resource.setrlimit(resource.RLIMIT_FSIZE, (left_bytes or 4096, resource.RLIM_INFINITY))
        if not left_bytes:
            resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
            with connection.cursor() as cursor:
                pages = cursor.execute("PRAGMA page_count").fetchone()[0]
                cursor.execute(f"PRAGMA max_page_count = {pages}")

    def make_room(self):
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA max_page_count = 1073741823")


def uploads():
    return sorted(str(path) for path in (settings.DATA / "media").rglob("*") if path.is_file())


def new_vehicle(phone, name):
    return phone.client.post("/vehicles/new/", {"name": name, "purpose": "p" * 2000})


def track(phone):
    points = "".join(f'<trkpt lat="60.{n:06}" lon="25"/>' for n in range(60_000))
    head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="t">'
    file = SimpleUploadedFile("long.gpx", f"{head}<trk><trkseg>{points}</trkseg></trk></gpx>".encode())
    return phone.client.post(f"/sessions/{phone.session}/new-log/", {"file": file, "kind": "gpx"})


class Visitors:
    """Who comes while the disk is full: somebody who was not seen for days, a device, and somebody who signs in."""

    password = "frost-and-chain-77"

    def __init__(self, phone):
        self.phone, self.days_away = phone, self.new()
        self.days_away.force_login(Account.objects.get(username="mara"))
        session = self.days_away.session
        session[sign_in_life.SEEN] = 0
        session.save()
        self.key = DeviceToken.issue(
            name="Logger", vehicle=Vehicle.objects.first(), account=Account.objects.get(username="mara"), may_read=True
        )[1]
        self.comer = self.new()

    def new(self):
        return Client(raise_request_exception=False, headers={"host": "localhost"})

    def come(self):
        pages = ["/", f"/sessions/{self.phone.session}/", "/failures/", "/api/v1/field/greeting/", "/api/v1/field/"]
        read = [self.days_away.get(path).status_code for path in pages]
        device = self.new().get("/api/v1/readings/", headers={"authorization": f"Bearer {self.key}"})
        signed_in = self.sign_in(self.comer, self.password)
        guest = self.new()
        health = self.new().get("/health/?of=database,disk")
        return {
            "read after days away": read,
            "read by a device": device.status_code,
            "signed in": signed_in.status_code,
            "read after that": [self.comer.get(path).status_code for path in pages],
            "wrong passwords": [self.sign_in(guest, "wrong").status_code for _ in range(7)],
            "health": [health.status_code, health.json()["database"], health.json()["disk"]],
        }

    def sign_in(self, client, password):
        return client.post("/sign-in/", {"username": "mara", "password": password})

    def sign_out(self):
        left = self.comer.post("/sign-out/")
        return [left.status_code, self.comer.get("/").status_code]


class Fields(HTMLParser):
    """The values of a page's form."""

    def __init__(self, text):
        super().__init__()
        self.values = {}
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        data = dict(attributes)
        if tag == "input":
            self.values[data["name"]] = data["value"]


def run(way):
    phone, disk = Phone(), {"disk": RealDisk, "limits": Limits}[way]()
    visitors = Visitors(phone)
    before = (uploads(), Photo.objects.count(), Log.objects.count())

    # In the middle of an upload: a part of it still fits.
    disk.fill(left_bytes=12 * 1024)
    key = uuid.uuid4()
    refused_photo, refused_track = phone.send_photo(key), track(phone)
    after = (uploads(), Photo.objects.count(), Log.objects.count())
    disk.make_room()

    # In the middle of writes: one after another, until one no longer fits.
    disk.fill(left_bytes=96 * 1024 if way == "disk" else 0)
    acknowledged, refused, number = [], None, 0
    while refused is None and number < 5000:
        reading = uuid.uuid4()
        answer = phone.send_reading(reading, volts=40.0 + number / 1000)
        number += 1
        if answer.status_code == 201:
            acknowledged.append(reading)
        else:
            refused = answer
    page, number = None, 0
    while (page is None or page.status_code == 302) and number < 200:
        page = new_vehicle(phone, f"Number {number}")
        number += 1
    words = page.content.decode()
    reads = [phone.client.get(path).status_code for path in ("/", f"/sessions/{phone.session}/", "/failures/")]
    came = visitors.come()
    trouble = ""
    if way == "disk":
        try:
            making.make_backup(settings.DATA)
        except making.BackupFailed as error:
            trouble = str(error)
    left_of_backups = sorted(path.name for path in (settings.DATA / "backups").glob("*"))
    disk.make_room()

    # And it goes on.
    typed = Fields(words).values
    sent_from_the_answer = phone.client.post("/vehicles/new/", typed)
    kept = list(Vehicle.objects.filter(name=typed.get("name")).values_list("purpose", flat=True))
    still_in = [visitors.comer.get("/").status_code, visitors.days_away.get("/").status_code]
    again = [
        phone.send_photo(key).status_code, phone.send_reading(uuid.uuid4()).status_code, track(phone).status_code,
        new_vehicle(phone, "After all").status_code,
    ]  # fmt: skip
    made = making.make_backup(settings.DATA)
    with connection.cursor() as cursor:
        whole = cursor.execute("PRAGMA integrity_check").fetchone()[0]
    return {
        "way": way,
        "photo refused": [refused_photo.status_code, SENTENCE in refused_photo.content.decode()],
        "track refused": [refused_track.status_code, SENTENCE in refused_track.content.decode()],
        "half stored": [now for now in zip(before, after, strict=True) if now[0] != now[1]],
        "writes acknowledged before it was full": len(acknowledged),
        "write refused": [getattr(refused, "status_code", None), SENTENCE in getattr(refused, "content", b"").decode()],
        "page refused": [page.status_code, SENTENCE in words],
        "sent again from the answer": [sent_from_the_answer.status_code, kept == ["p" * 2000]],
        "pages read meanwhile": reads,
        **came,
        "signed in still": still_in,
        "signed out then": visitors.sign_out(),
        "lost": len(acknowledged) - Reading.objects.filter(pk__in=acknowledged).count(),
        "backup while full": trouble,
        "half backups": left_of_backups,
        "sent again": again,
        "vehicle is there": Vehicle.objects.filter(name="After all").count(),
        "backup after": made.manifest.file_count,
        "warning after": backup_status.read(settings.DATA).trouble,
        "integrity_check": whole,
    }  # fmt: skip


if __name__ == "__main__":
    print(json.dumps(run(sys.argv[1]), indent=1))
