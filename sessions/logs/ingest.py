"""Importing a recording: the file is stored as it came, then read; after an error it stays for another try."""

from __future__ import annotations

from typing import Any

import numpy as np
from django.core.files.base import ContentFile
from django.db import transaction
from django.utils import timezone

from buildlog.records.change_log import note_change
from buildlog.storage.stored_files import fingerprint, remove_file, stored_together
from calc.geodesy import track_length_m
from calc.session_facts import LogFacts
from sessions.logs.columns import packed_columns, stored_digits
from sessions.logs.csv_layout import Layout, find_layout
from sessions.logs.csv_reading import LARGEST_BYTES, read_csv
from sessions.logs.gpx import read_gpx
from sessions.logs.meanings import BY_COLUMN, Mapping, signature_of
from sessions.logs.models import ColumnMapping, Log
from sessions.logs.series import NotARecording, Recording, positions
from sessions.outings.models import Session
from sessions.outings.track_parts import SMALLEST_STEP_M


def store_log(session: Session, file: Any) -> Log:
    """Store a file as it came, to be read next.

    Raises NotARecording for one that is empty or too large, ValidationError when this very file is
    stored with the session already.
    """
    if not file.size:
        raise NotARecording("The file is empty. Save the log again from the instrument.")
    if file.size > LARGEST_BYTES:
        raise NotARecording(f"The file has {file.size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are allowed.")
    log = Log(
        session=session,
        kind=_kind(file),
        state=Log.State.WAITING,
        name=_shown_name(file),
        sha256=fingerprint(file),
        size_bytes=file.size,
    )
    log.full_clean(exclude=["original", "columns"])
    with stored_together() as put:
        put(log.original, file)
        log.save(force_insert=True)
    return log


def _kind(file: Any) -> str:
    """A track is recognised by its content, or by its name where the content is mark-up of another kind."""
    file.seek(0)
    head = file.read(2048).lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n\0").replace(b"\0", b"")
    file.seek(0)
    is_track = b"<gpx" in head or str(file.name).lower().endswith(".gpx")
    return Log.Kind.GPX if is_track else Log.Kind.CSV


def _shown_name(file: Any) -> str:
    return "".join(letter for letter in str(file.name) if letter.isprintable())[-120:] or "log"


def read_stored(log: Log, layout: Layout | None = None, mapping: Mapping | None = None) -> None:
    """Read a stored file into its columns; a CSV needs its layout, and what its columns mean.

    Raises NotARecording with a sentence, which stays with the log; nothing is half read.
    """
    try:
        with log.original.open("rb") as file:
            recording = recording_of(log.kind, file, log.size_bytes, layout, mapping)
    except NotARecording as error:
        # A log that was read before keeps its old columns when a new mapping fails.
        Log.objects.filter(pk=log.pk).update(problem=str(error))
        log.problem = str(error)
        raise
    fill(log, recording)
    log.problem = ""
    log.layout = layout.as_json() if layout else {}
    log.mapping = mapping.as_json() if mapping else {}
    old = log.columns.name
    with stored_together() as put:
        put(log.columns, ContentFile(packed_columns(recording.columns)))
        log.save()
        if layout is not None and mapping is not None:
            ColumnMapping.remember(signature_of(layout), mapping.as_json())
        if old and old != log.columns.name:
            note_change(log, ["columns"])
            transaction.on_commit(lambda: remove_file(log.columns.storage, old))


def recording_of(
    kind: str, file: Any, size: int, layout: Layout | None = None, mapping: Mapping | None = None
) -> Recording:
    """What a file of either kind holds, its values rounded as they are stored."""
    if kind == Log.Kind.GPX:
        recording = read_gpx(file, size)
    else:
        if layout is None or mapping is None:
            layout = find_layout(file, size).layout
            raise NotARecording(f"The meaning of its {layout.width} columns is not chosen yet.")
        recording = read_csv(file, size, layout, mapping, timezone.get_default_timezone())
    columns = {name: np.round(values, stored_digits(name)) for name, values in recording.columns.items()}
    return Recording(recording.first_at, columns, recording.notes)


def fill(log: Log, recording: Recording) -> None:
    """Fill the fields of a log that follow from its recording."""
    log.state = Log.State.READ
    log.first_at, log.notes = recording.first_at, recording.notes
    log.row_count, log.duration_s = recording.row_count, recording.duration_s
    log.length_m = _length_m(recording.columns)
    log.summary = _summary(recording.columns)


def _length_m(columns: dict[str, Any]) -> float | None:
    """Distance by the log's own counter, or along its track, or by its speed."""
    if "distance_m" in columns:
        distances_m = columns["distance_m"][~np.isnan(columns["distance_m"])]
        return float(distances_m.max() - distances_m.min())
    track = positions(columns)
    if track is not None:
        return track_length_m(track["lat_deg"], track["lon_deg"], SMALLEST_STEP_M)
    for name in ("speed_mps", "wheel_speed_mps"):
        if name in columns:
            good = ~np.isnan(columns[name])
            return float(np.trapezoid(np.maximum(columns[name][good], 0.0), columns["time_s"][good]))
    return None


def _summary(columns: dict[str, Any]) -> dict[str, Any]:
    ends = {
        name: [float(np.nanmin(values)), float(np.nanmax(values))]
        for name, values in columns.items()
        if name in BY_COLUMN
    }
    return {"columns": ends, "facts": _facts(columns)}


def _facts(columns: dict[str, Any]) -> dict[str, float | None]:
    """What voltage and current add up to; the ends of single columns are stored apart."""
    if not {"time_s", "voltage_v", "current_a"} <= set(columns):
        return {}
    good = ~(np.isnan(columns["voltage_v"]) | np.isnan(columns["current_a"]))
    if good.sum() < 2:
        return {}
    series = (columns[name][good] for name in ("time_s", "voltage_v", "current_a"))
    return {name: value for name, value in vars(LogFacts.of_series(*series)).items() if value is not None}
