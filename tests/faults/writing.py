"""Writers that are killed, and writers in a crowd: `python -m tests.faults.writing killed|crowd COUNT`.

A process of its own, with the settings of an installation on the disk. It loads the program once and forks, so
that a writer costs milliseconds; each writer then sends what a phone sends, to the address a phone sends it to.
Prints its figures as JSON.
"""

import io
import json
import os
import random
import signal
import sys
import time
import uuid
from pathlib import Path

import django
from django.test.client import BOUNDARY, MULTIPART_CONTENT, encode_multipart

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "buildlog.config.settings")
django.setup()

from django.conf import settings  # noqa: E402
from django.core.files.uploadedfile import SimpleUploadedFile  # noqa: E402
from django.db import connection, connections  # noqa: E402
from django.test import Client  # noqa: E402
from PIL import Image  # noqa: E402

from buildlog.models import Account, Photo  # noqa: E402
from sessions.models import Reading, Session  # noqa: E402

# Static files are collected when the site is served; no page here needs their hashed names.
settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
settings.STATIC_ROOT.mkdir(exist_ok=True)
BEGUN, ACKNOWLEDGED = b"b", b"a"


class Phone:
    """Sends records as the field page does."""

    def __init__(self):
        self.session = str(Session.objects.values_list("pk", flat=True).first())
        self.client = Client(raise_request_exception=False, headers={"host": "localhost"})
        self.client.force_login(Account.objects.get(username="mara"))
        # Saved small and quickly: what matters is the moment at which the writer dies.
        held = io.BytesIO()
        Image.effect_noise((200, 150), 60).save(held, "JPEG")
        self.picture = held.getvalue()
        # Whatever is loaded by the first request is loaded before anybody is forked.
        assert self.send_reading(uuid.uuid4()).status_code == 201
        assert self.send_photo(uuid.uuid4()).status_code == 201
        # What this process has opened must not be shared with those it forks.
        connections.close_all()

    def send_reading(self, key, volts=54.0):
        values = {"session": self.session, "time_into_session_s": volts, "voltage_v": volts}
        return self.client.put(f"/api/v1/readings/{key}/", json.dumps(values), content_type="application/json")

    def send_photo(self, key):
        file = SimpleUploadedFile("x.jpg", self.picture, "image/jpeg")
        body = encode_multipart(BOUNDARY, {"image": file, "session": self.session})
        return self.client.put(f"/api/v1/photos/{key}/", body, content_type=MULTIPART_CONTENT)


def write_until_killed(phone, out):
    number = 0
    while True:
        key = uuid.uuid4()
        os.write(out, BEGUN + key.bytes)
        answer = phone.send_photo(key) if number % 3 == 1 else phone.send_reading(key)
        if answer.status_code in (200, 201):
            os.write(out, ACKNOWLEDGED + key.bytes)
        number += 1


def killed(count):
    """Kill a writer with no warning, `count` times, at moments of chance."""
    phone, chance = Phone(), random.Random(20260117)
    acknowledged, in_the_middle, began = set(), 0, time.monotonic()
    for _ in range(count):
        ours, theirs = os.pipe()
        child = os.fork()
        if not child:
            os.close(ours)
            try:
                write_until_killed(phone, theirs)
            finally:
                os._exit(1)
        os.close(theirs)
        text, wanted = b"", chance.randint(0, 3)
        while text[::17].count(ACKNOWLEDGED) < wanted or not text:
            block = os.read(ours, 17)
            assert block, f"The writer ended by itself: {os.waitpid(child, 0)[1]}"
            text += block
        time.sleep(chance.uniform(0.0, 0.02))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        while block := os.read(ours, 65536):
            text += block
        os.close(ours)
        rows = [(text[at : at + 1], text[at + 1 : at + 17]) for at in range(0, len(text), 17)]
        in_the_middle += rows[-1][0] == BEGUN
        acknowledged |= {uuid.UUID(bytes=key) for kind, key in rows if kind == ACKNOWLEDGED}
    with connection.cursor() as cursor:
        whole = cursor.execute("PRAGMA integrity_check").fetchone()[0]
        synchronous = cursor.execute("PRAGMA synchronous").fetchone()[0]
    photos = {photo.pk: photo for photo in Photo.objects.filter(pk__in=acknowledged)}
    for photo in photos.values():
        for file in (photo.image, photo.thumbnail):
            with file.open("rb") as held, Image.open(held) as picture:
                picture.load()
    # A photo that was stored without an answer is whole as well.
    unreadable = [str(item.pk) for item in Photo.objects.all() if not Path(item.image.path).stat().st_size]
    present = set(Reading.objects.filter(pk__in=acknowledged).values_list("pk", flat=True)) | set(photos)
    return {
        "kills": count,
        "in the middle of a write": in_the_middle,
        "acknowledged": len(acknowledged),
        "of these photos": len(photos),
        "lost": len(acknowledged - present),
        "unreadable photos": len(unreadable),
        "integrity_check": whole,
        "synchronous": synchronous,  # 2 is FULL
        "seconds": round(time.monotonic() - began, 1),
    }


def crowd(count, each=4):
    """Let many writers begin at one moment, and write without a pause."""
    phone, began = Phone(), time.monotonic()
    before = Reading.objects.count()
    connections.close_all()
    ours, theirs = os.pipe()
    gate, start = os.pipe()
    children = []
    for writer in range(count):
        child = os.fork()
        if not child:
            try:
                os.close(start)
                os.read(gate, 1)  # returns when the parent lets go of the other end
                rows = []
                for number in range(each):
                    sent = time.monotonic()
                    answer = phone.send_reading(uuid.uuid4(), volts=50.0 + writer / 100 + number / 1000)
                    rows.append((answer.status_code, time.monotonic() - sent, answer.content.decode()[:80]))
                os.write(theirs, (json.dumps(rows) + "\n").encode())
            finally:
                os._exit(0)
        children.append(child)
    os.close(theirs)
    os.close(gate)
    os.close(start)
    sentence = b""
    while block := os.read(ours, 65536):
        sentence += block
    for child in children:
        os.waitpid(child, 0)
    answers = [tuple(load) for line in sentence.decode().splitlines() for load in json.loads(line)]
    return {
        "writers": count,
        "writes": count * each,
        "answers 201": sum(status == 201 for status, _, _ in answers),
        "other answers": sorted({f"{status} {text}" for status, _, text in answers if status != 201})[:5],
        "stored": Reading.objects.count() - before,
        "longest wait s": round(max(waited for _, waited, _ in answers), 2),
        "seconds": round(time.monotonic() - began, 1),
    }


if __name__ == "__main__":
    print(json.dumps({"killed": killed, "crowd": crowd}[sys.argv[1]](int(sys.argv[2]))))
