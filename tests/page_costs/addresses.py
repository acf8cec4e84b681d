"""Every page of a large season: its address, and the rows it shows."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any
from unittest.mock import patch

from django.core.files.base import ContentFile
from django.core.files.uploadedfile import SimpleUploadedFile
from django.template import Template
from django.test.utils import instrumented_test_render

from buildlog.models import (
    Account,
    BalanceTest,
    DeviceToken,
    Failure,
    FailureMode,
    Fitting,
    Individual,
    IndividualFitting,
    Modification,
    Part,
    Photo,
    Revision,
    SignOff,
    UpkeepCheck,
    UpkeepItem,
    Vehicle,
    Verification,
)
from sessions.models import (
    FormulaChannel,
    Gate,
    GoNoGoCheck,
    Instrument,
    Log,
    MarkTap,
    NotebookImport,
    Pass,
    Reading,
    Session,
    TestCard,
    TestCardItem,
    TrackPart,
    Trial,
    Venue,
    VoiceNote,
)
from tests.page_costs.costs import Page
from tests.people.test_pages_by_role import PAGES, POSTED_ONLY

NAMES = {
    "vehicle_season": "season",
    "vehicle_bench": "bench",
    "revision_report": "report",
    "what_if": "what-if",
    "new_failure": "new failure",
}
"""What the table calls pages that have a goal; other pages are called as their addresses are."""
FILES = {"log_original", "photo_image", "photo_thumbnail", "voice_note_sound", "backup_file"}
"""Answered with a stored file as it is."""
FILE = "seconds,volts,amps\n" + "".join(f"{row / 10},{52 + row % 3},{row % 40}\n" for row in range(600))

API: dict[str, type[Any]] = {
    "vehicles": Vehicle, "revisions": Revision, "parts": Part, "fittings": Fitting, "modifications": Modification,
    "failure-modes": FailureMode, "failures": Failure, "venues": Venue, "gates": Gate, "sessions": Session,
    "passes": Pass, "readings": Reading, "go-no-go-checks": GoNoGoCheck, "track-parts": TrackPart, "photos": Photo,
    "mark-taps": MarkTap, "voice-notes": VoiceNote,
    "test-cards": TestCard, "test-card-items": TestCardItem, "trials": Trial,
    "individuals": Individual, "individual-fittings": IndividualFitting,
    "upkeep-items": UpkeepItem, "upkeep-checks": UpkeepCheck,
    "instruments": Instrument, "formula-channels": FormulaChannel,
    "balance-tests": BalanceTest, "sign-offs": SignOff, "verifications": Verification,
}  # fmt: skip
"""The lists of the API, with their models."""
SESSION_COLUMNS = ("started_at", "revision__vehicle__name", "revision__number", "venue__name", "surface",
                   "air_temperature_c", "distance_m", "runtime_s")  # fmt: skip
PASS_COLUMNS = ("number", "gate__name", "direction", "method", "duration_s",
                *(f"session__{name}" for name in SESSION_COLUMNS))  # fmt: skip
FAILURE_COLUMNS = ("mode__name", "severity", "part__name", "revision__vehicle__name", "happened_at")
ROWS: dict[str, tuple[type[Any], tuple[str, ...], Callable[[Any], Any]]] = {
    "home": (Session, SESSION_COLUMNS, lambda shown: [shown["now"].last.session]),
    "shed": (Vehicle, ("name", "purpose", "created_at"), lambda shown: shown["vehicles"]),
    "sessions": (Session, SESSION_COLUMNS, lambda shown: shown["sessions"]),
    "failures": (Failure, FAILURE_COLUMNS, lambda shown: shown["failures"]),
    "session": (
        Pass,
        PASS_COLUMNS,
        lambda shown: [row.run for row in shown["passes"]],
    ),
    "vehicle": (
        Revision,
        ("number", "date", "status", "purpose", "vehicle__name"),
        lambda shown: [row.revision for row in shown["revisions"]],
    ),
    "revision": (Session, SESSION_COLUMNS, lambda shown: shown["sessions"]),
    "venues": (Venue, ("name", "notes"), lambda shown: shown["venues"]),
    "parts": (Part, ("name", "category", "mass_kg"), lambda shown: shown["parts"]),
    "failure": (Failure, FAILURE_COLUMNS, lambda shown: [shown["failure"]]),
}
"""The rows that a page shows, which its bare page reads as well: model, columns, and where they are in its context."""


def pages_of(client: Any, vehicle: Vehicle) -> Iterator[Page]:
    """All pages. Records that a season lacks, such as a photo and a test card, are made once."""
    keys = _keys(vehicle)
    for name, (pattern, _) in PAGES.items():
        if name in POSTED_ONLY or name in FILES:
            continue
        address = re.sub(r"\{(\w+)\}", lambda place: str(keys[place[1]]), pattern)
        yield _page(client, NAMES.get(name, name), address)
        if name == "compare":
            yield _page(client, "compare, all revisions", f"/compare/?vehicle={vehicle.pk}&all=yes")
        if name in ("sessions", "failures"):
            yield _page(client, f"{name}, last", f"{address}?after=start", rows=name)
    yield Page("field page", "/field/")
    yield Page("field data", "/api/v1/field/")
    for kind, model in API.items():
        yield _list(client, f"API {kind}", f"/api/v1/{kind}/", model)
        yield _list(client, f"API {kind}, last", f"/api/v1/{kind}/?cursor=cj0x", model)


def _page(client: Any, name: str, address: str, rows: str = "") -> Page:
    if (rows or name) not in ROWS:
        return Page(name, address)
    model, columns, shown = ROWS[rows or name]
    # Only here: keeping the context of every template would cost each page that is measured.
    with patch.object(Template, "_render", instrumented_test_render):
        context = client.get(address).context
    return Page(name, address, model, [record.pk for record in shown(context)], columns)


def _list(client: Any, name: str, address: str, model: type[Any]) -> Page:
    rows = client.get(address, headers={"Accept-Encoding": "identity"}).json()["results"]
    columns = tuple(column.attname for column in model._meta.concrete_fields if not column.name.startswith("made_"))
    return Page(name, address, model, [row["id"] for row in rows], columns)


MADE = (
    "vehicle", "revision", "session", "log", "logger_file", "photo", "card", "trial", "balance_test", "other_account",
    "device", "venue", "gate", "battery", "fitting", "modification", "failure", "timed_pass", "reading",
    "failure_mode", "sign_off", "verification", "individual", "individual_fitting", "upkeep_item", "upkeep_check",
    "notebook", "instrument", "formula", "voice_note",
)  # fmt: skip
"""The records that addresses name."""


def records_in(pattern: str) -> list[str]:
    """The records that an address names."""
    return re.findall(r"\{(\w+)\}", pattern)


def _keys(vehicle: Vehicle) -> dict[str, Any]:
    revision = vehicle.revisions.order_by("-number")[1]
    session = Session.objects.filter(revision=revision).order_by("started_at")[0]
    logger_file, log = _logs(session)
    photo = Photo(session=session, caption="A photo", width_px=60, height_px=40)
    for file in (photo.image, photo.thumbnail):
        file.save("", ContentFile(b"No page that is measured opens it."), save=False)
    photo.save()
    card = TestCard.objects.create(revision=revision, title="A card")
    TestCardItem.objects.create(card=card, what="Six passes", outcome="done", session=session)
    trial = Trial.objects.create(revision=revision, against=vehicle.revisions.order_by("-number")[2], measure="range")
    tilted = BalanceTest.objects.create(
        revision=vehicle.revisions.order_by("-number")[0], kind="tilt", side="left", tilt_deg=40.0
    )
    builder = Account.objects.create_user("builder", role="builder")
    failure = Failure.objects.filter(answered_by__isnull=False).order_by("-happened_at")[0]
    modification = revision.modifications.get()
    signed = SignOff.objects.create(vehicle=vehicle, mode=failure.mode, kind="closed_without_fix", why="A stone.")
    shown = Verification.objects.create(
        modification=modification, kind="inspection", done_by="builder", finding="No crack."
    )
    piece = Individual.objects.create(part=Part.objects.get(), serial="M 1")
    placed = IndividualFitting.objects.create(individual=piece, fitting=revision.fittings.get())
    item = UpkeepItem.objects.create(vehicle=vehicle, kind="interval", title="Lubricate", every_m=50_000.0)
    check = UpkeepCheck.objects.create(item=item, done_by="builder")
    cells = [["Date", "Place", "km"], ["2026-01-20", "Lake", "4.7"]]
    columns = [{"name": "volts", "header_unit": "", "meaning": "voltage_v", "unit": "V", "highest": 60.0}]
    instrument = Instrument.objects.create(vehicle=vehicle, name="Pack logger", columns=columns)
    formula = FormulaChannel.objects.create(vehicle=vehicle, name="Pull", formula="voltage * current", unit="W")
    note = VoiceNote(session=session, time_into_session_s=60.0, duration_s=8.0, kind="ogg")
    note.sound.save("", ContentFile(b"Nobody listens to it."))
    made = {
        "instrument": instrument, "formula": formula,
        "individual": piece, "individual_fitting": placed, "upkeep_item": item, "upkeep_check": check,
        "notebook": NotebookImport.objects.create(name="old.csv", vehicle=vehicle, cells=cells),
        "vehicle": vehicle, "revision": revision, "session": session, "log": log, "logger_file": logger_file,
        "photo": photo, "card": card, "trial": trial, "balance_test": tilted, "other_account": builder,
        "device": DeviceToken.objects.first() or vehicle,
        "venue": session.venue, "gate": session.venue.gates.get(), "battery": Part.objects.get(),
        "fitting": revision.fittings.get(), "modification": modification, "failure": failure,
        "failure_mode": failure.mode, "sign_off": signed, "verification": shown,
        "voice_note": note,
        "timed_pass": session.passes.all()[0], "reading": session.readings.all()[0],
    }  # fmt: skip
    return {name: made[name].pk for name in MADE}


def _logs(session: Session) -> tuple[Log, Log]:
    """A logger's file that waits, and one that is read. They belong to another session than the rows of its passes."""
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
