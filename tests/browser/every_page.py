"""The address of every page, on the invented season: what it lacks for one is made once."""

from __future__ import annotations

import io
import re
from datetime import timedelta
from typing import Any

from django.conf import settings
from django.core.files.base import ContentFile
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from buildlog.models import (
    Account,
    BalanceTest,
    DeviceToken,
    Failure,
    Individual,
    ModeChange,
    Modification,
    Part,
    Photo,
    Removal,
    SignOff,
    UpkeepCheck,
    UpkeepItem,
    Vehicle,
    Verification,
)
from buildlog.records import removal as removals
from sessions.models import Log, NotebookImport, Session, ShareLink, TestCard, TestCardItem, Trial, Venue
from tests.page_costs.addresses import FILE
from tests.people.test_pages_by_role import PAGES, POSTED_ONLY

FILES = {
    *("vehicle_table", "vehicle_archive", "log_original", "photo_image", "photo_thumbnail", "backup_file"),
    *("import_progress", "recordings_window", "log_slice"),
}
"""Answered with a file or with JSON."""
FORMS = {
    name
    for name in PAGES
    if name.startswith(("new_", "edit_", "remove_", "import_", "time_")) or name in {
        *("made_of", "read_archive", "what_if", "assumptions", "failure_cause", "notebook", "log_columns", "read_in"),
        *("share", "place_log"),
    }
}  # fmt: skip
"""Pages that are filled in, which are as long as what is asked."""


def addresses(owner: Account) -> dict[str, str]:
    """The address of each page that is opened with a browser, by the name of its route."""
    keys = _records(owner)
    return {
        name: re.sub(r"\{(\w+)\}", lambda place: str(keys[place[1]].pk), pattern)
        for name, (pattern, _) in PAGES.items()
        if name not in POSTED_ONLY and name not in FILES
    }


def _records(owner: Account) -> dict[str, Any]:
    vehicle = Vehicle.objects.get()
    revision = vehicle.revisions.order_by("number")[4]
    session = Session.objects.filter(revision=revision).order_by("started_at")[2]
    failure = Failure.objects.filter(answered_by__isnull=False, mode__name__startswith="lifted").first()
    assert failure is not None
    logger_file, log = _logs(session)
    item = UpkeepItem.objects.filter(kind="interval").first()
    individual = Individual.objects.first()
    assert individual is not None
    cells = [["Date", "Place", "km"], ["2026-01-20", "Lake Hallava (invented)", "4.7"]]
    empty = Venue.objects.create(name="Far pond")
    removals.remove(empty, owner)
    return {
        "vehicle": vehicle, "revision": revision, "session": session, "log": log, "logger_file": logger_file,
        "photo": _photo(session), "card": _card(vehicle, session), "trial": Trial.objects.first(),
        "balance_test": BalanceTest.objects.create(
            revision=vehicle.revisions.order_by("-number")[0], kind="tilt", side="left", tilt_deg=40.0
        ),
        "other_account": Account.objects.create_user("runa", role="recorder"),
        "device": DeviceToken.issue(name="Logger on the sled", vehicle=vehicle, account=owner)[0],
        "share_link": ShareLink.issue(7, made_by=owner, revision=revision)[0],
        "venue": session.venue, "gate": session.venue.gates.get(),
        "battery": Part.objects.filter(category="battery_module").order_by("-name").first(),
        "fitting": revision.fittings.first(), "modification": Modification.objects.get(revision=revision),
        "failure": failure, "failure_mode": failure.mode,
        "sign_off": SignOff.objects.first(), "verification": Verification.objects.first(),
        "mode_change": ModeChange.objects.create(
            mode=failure.mode, kind="joined", old_name="tipped up", old_key="tipped up", failures=[]
        ),
        "timed_pass": session.passes.all()[0], "reading": session.readings.all()[0],
        "individual": individual, "individual_fitting": individual.places.first(),
        "upkeep_item": item, "upkeep_check": UpkeepCheck.objects.filter(item=item).first(),
        "removal": Removal.objects.first(),
        "notebook": NotebookImport.objects.create(name="old.csv", vehicle=vehicle, cells=cells),
    }  # fmt: skip


def _photo(session: Session) -> Photo:
    buffer = io.BytesIO()
    Image.new("RGB", (800, 600), (90, 110, 130)).save(buffer, "JPEG")
    photo = Photo(session=session, caption="The pass marks (invented)", width_px=800, height_px=600)
    for file in (photo.image, photo.thumbnail):
        file.save("", ContentFile(buffer.getvalue()), save=False)
    photo.save()
    return photo


def _card(vehicle: Vehicle, session: Session) -> TestCard:
    card = TestCard.objects.create(
        revision=vehicle.revisions.order_by("-number")[0], title="Invented: next outing", limits="Half power until warm."
    )
    for what, why in (("Six passes, both ways", "what the gearing does"), ("Look at the brackets", "whether they last")):
        TestCardItem.objects.create(card=card, what=what, why=why, outcome="done", session=session)
    return card


def _logs(session: Session) -> tuple[Log, Log]:
    """A file of columns that waits for their meanings, and the same that was read."""
    from sessions.logs.column_guess import guess
    from sessions.logs.csv_layout import find_layout
    from sessions.logs.ingest import read_stored, store_log

    waiting = store_log(session, SimpleUploadedFile("waiting.csv", FILE.replace("52", "51").encode()))
    log = store_log(session, SimpleUploadedFile("read.csv", FILE.encode()))
    with log.original.open("rb") as held:
        head = find_layout(held, log.size_bytes)
    read_stored(log, head.layout, guess(head.layout, head.rows))
    log.refresh_from_db()
    return waiting, log
