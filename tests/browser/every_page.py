"""The address of every page, on the invented season: what it lacks for one is made once."""

from __future__ import annotations

import re
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile

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
from sessions.logs.ingest import store_log
from sessions.models import (
    FormulaChannel,
    Instrument,
    Log,
    NotebookImport,
    Session,
    ShareLink,
    TestCard,
    Trial,
    Venue,
    VoiceNote,
)
from tests.page_costs.addresses import FILE
from tests.people.test_pages_by_role import PAGES, POSTED_ONLY

FILES = {
    *(
        "vehicle_table",
        "vehicle_archive",
        "log_original",
        "photo_image",
        "photo_thumbnail",
        "voice_note_sound",
        "backup_file",
    ),
    *("voice_note_sound", "import_progress", "recordings_window", "log_slice"),
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
    revision = vehicle.revisions.order_by("number")[5]
    session = Session.objects.order_by("started_at").last()
    assert session is not None
    failure = Failure.objects.filter(answered_by__isnull=False, mode__name__startswith="lifted").first()
    assert failure is not None
    elsewhere = Session.objects.order_by("started_at").first()
    assert elsewhere is not None
    # Not with the session that is looked at: it says on its page that a file waits.
    logger_file = store_log(elsewhere, SimpleUploadedFile("waiting.csv", FILE.encode()))
    item = UpkeepItem.objects.filter(kind="interval").first()
    individual = Individual.objects.first()
    assert individual is not None
    columns = [{"name": "volts", "header_unit": "", "meaning": "voltage_v", "unit": "V", "highest": 60.0}]
    cells = [["Date", "Place", "km"], ["2026-01-20", "Lake Hallava (invented)", "4.7"]]
    empty = Venue.objects.create(name="Far pond")
    removals.remove(empty, owner)
    return {
        "vehicle": vehicle, "revision": revision, "session": session,
        "log": Log.objects.filter(kind="csv", session=session).first(), "logger_file": logger_file,
        "photo": Photo.objects.first(), "card": TestCard.objects.get(), "trial": Trial.objects.first(),
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
        "voice_note": VoiceNote.objects.create(session=elsewhere, time_into_session_s=60.0, duration_s=8.0, kind="ogg"),
        "instrument": Instrument.objects.create(vehicle=vehicle, name="Pack logger", columns=columns),
        "formula": FormulaChannel.objects.create(vehicle=vehicle, name="Pull", formula="voltage * current", unit="W"),
        "notebook": NotebookImport.objects.create(name="old.csv", vehicle=vehicle, cells=cells),
    }  # fmt: skip
