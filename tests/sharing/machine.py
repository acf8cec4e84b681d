"""A machine with one of everything, and its archive."""

import io

from django.core.files.uploadedfile import SimpleUploadedFile

from buildlog.models import (
    BalanceTest,
    Modification,
    Vehicle,
    Verification,
)
from buildlog.photos.pictures import store_photo
from sessions.demo import loading
from sessions.logs.column_guess import guess
from sessions.logs.csv_layout import find_layout
from sessions.logs.ingest import read_stored, store_log
from sessions.models import (
    AcceptedPoint,
    FormulaChannel,
    Instrument,
    Release,
    Session,
    TestCard,
    TestCardItem,
)
from sessions.sharing import archive
from tests.sharing.logs import LOGGER_FILE, SAMPLE


def load_with_more(picture_bytes):
    """The invented season, and what it does not have."""
    loading.load()
    vehicle = Vehicle.objects.get()
    picture = SimpleUploadedFile("whatever.jpg", picture_bytes, "image/jpeg")
    photo = store_photo(picture, revision=vehicle.revisions.first(), caption="=1+1")
    Verification.objects.create(
        modification=Modification.objects.filter(answers__isnull=False).first(), kind="inspection", done_by="Invented",
        finding="No crack.", photo=photo,
    )  # fmt: skip
    content = SAMPLE.read_bytes()
    outing = Session.objects.first()
    read_stored(store_log(outing, SimpleUploadedFile("ride.gpx", content)))
    head = find_layout(io.BytesIO(LOGGER_FILE), len(LOGGER_FILE))
    log = store_log(outing, SimpleUploadedFile("ride.csv", LOGGER_FILE))
    voltage = {"name": "U", "header_unit": "V", "meaning": "voltage_v", "unit": "V", "highest": 60.0}
    log.instrument = Instrument.objects.create(vehicle=vehicle, name="Pack logger", columns=[voltage])
    log.save()
    FormulaChannel.objects.create(vehicle=vehicle, name="Pull", formula="voltage * current", unit="W")
    read_stored(log, head.layout, guess(head.layout, head.rows))
    store_log(outing, SimpleUploadedFile("waits.csv", b"a,b\nc,d\n"))
    newest = vehicle.revisions.last()
    BalanceTest.objects.create(revision=newest, kind="tilt", side="left", tilt_deg=38.0)
    AcceptedPoint.objects.create(revision=newest, point="sag", title="Sag", sentence="It sags.", reason="Slowly.")
    Release.objects.create(revision=newest, points=[{"point": "sag", "settled": "accepted"}])
    card = TestCard.objects.create(revision=newest, title="Next")
    TestCardItem.objects.create(card=card, what="Six passes")
    return vehicle


def packed(vehicle):
    """Its archive, as a file that was just written."""
    target = io.BytesIO()
    archive.export_machine(vehicle, target)
    target.seek(0)
    return target
