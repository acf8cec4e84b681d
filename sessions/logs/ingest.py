"""Importing a recording: the file is stored as it came, then read; after an error it stays for another try."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from typing import IO, Any, cast

from django.core.files.base import File
from django.db import transaction
from django.utils import timezone

from buildlog.records.change_log import note_change
from buildlog.storage.stored_files import fingerprint, remove_file, stored_together
from sessions.logs.columns import ColumnWriter
from sessions.logs.content import content_of, kind_of_file, read_track
from sessions.logs.csv_layout import Layout, find_layout
from sessions.logs.csv_reading import CsvRecording
from sessions.logs.file_kinds import TRACKS
from sessions.logs.instrument_columns import misfits
from sessions.logs.meanings import Mapping, signature_of
from sessions.logs.models import ColumnMapping, Log
from sessions.logs.series import NotARecording, Recording
from sessions.logs.summary import Summary
from sessions.logs.unpacking import LARGEST_BYTES, Unpacked
from sessions.outings.models import Session

FOLLOWS_FROM_THE_FILE = (
    "state", "problem", "layout", "mapping", "first_at", "row_count", "length_m", "duration_s", "summary", "notes",
)  # fmt: skip
Progress = Callable[[int, int], None]
"""Called with the rows and the bytes of the file that are read so far, every few tenths of a second."""


def nobody_waits(_rows: int, _bytes: int) -> None:
    pass


def store_log(session: Session, file: Any) -> Log:
    """Store a file as it came, to be read next.

    Raises NotARecording for one that is empty or too large, ValidationError when this very file is
    stored with the session already.
    """
    if not file.size:
        raise NotARecording("The file is empty. Save the log again from the instrument.")
    if file.size > LARGEST_BYTES:
        raise NotARecording(f"The file has {file.size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are allowed.")
    name = _shown_name(file)
    kind, problem = kind_of_file(file, file.size, name)
    log = Log(
        session=session,
        kind=kind,
        state=Log.State.WAITING,
        problem=problem,
        name=name,
        sha256=fingerprint(file),
        size_bytes=file.size,
    )
    log.full_clean(exclude=["original", "columns"])
    with stored_together() as put:
        put(log.original, file)
        log.save(force_insert=True)
    return log


def _shown_name(file: Any) -> str:
    return "".join(letter for letter in str(file.name) if letter.isprintable())[-120:] or "log"


def read_stored(
    log: Log,
    layout: Layout | None = None,
    mapping: Mapping | None = None,
    *,
    progress: Progress = nobody_waits,
    before_it_is_stored: Callable[[], object] | None = None,
) -> None:
    """Read a stored file into its columns; a CSV needs its layout, and what its columns mean.

    `before_it_is_stored` runs in the transaction that stores the columns. Raises NotARecording with a sentence, which
    stays with the log; nothing is half read.
    """
    with tempfile.TemporaryFile() as packed:
        try:
            with _original(log) as file:
                pack(log, file, packed, layout, mapping, progress)
        except NotARecording as error:
            # A log that was read before keeps its old columns when a new mapping fails.
            Log.objects.filter(pk=log.pk).update(problem=str(error))
            log.problem = str(error)
            raise
        log.problem = ""
        log.layout = layout.as_json() if layout else {}
        log.mapping = mapping.as_json() if mapping else {}
        old = log.columns.name
        with stored_together() as put:
            if before_it_is_stored is not None:
                before_it_is_stored()
            put(log.columns, File(packed))
            # Only what follows from the file: somebody may have moved the log on the clock meanwhile.
            log.save(update_fields=["columns", *FOLLOWS_FROM_THE_FILE])
            if layout is not None and mapping is not None:
                ColumnMapping.remember(signature_of(layout), mapping.as_json())
            if old and old != log.columns.name:
                note_change(log, ["columns"])
                transaction.on_commit(lambda: remove_file(log.columns.storage, old))


def _original(log: Log) -> IO[bytes]:
    try:
        return cast(IO[bytes], log.original.open("rb"))
    except FileNotFoundError:
        raise NotARecording("The log's file is gone from the data folder.") from None


def pack(
    log: Log,
    file: IO[bytes],
    packed: IO[bytes],
    layout: Layout | None = None,
    mapping: Mapping | None = None,
    progress: Progress = nobody_waits,
) -> None:
    """Read a file of either kind into the columns of a log, and fill the fields that follow from them.

    Raises NotARecording with a sentence; the log is unchanged then.
    """
    summary = Summary()
    with content_of(log, file) as content:
        recording = _recording_of(content, layout, mapping)
        with ColumnWriter(packed) as writer:
            for columns in recording.blocks():
                writer.add(columns)
                summary.add(columns)
                # As far as the unpacked content is read, so far is the file.
                progress(summary.row_count, int(content.file.tell() / max(content.size, 1) * log.size_bytes))
    packed.seek(0)
    log.summary = summary.as_json(recording.named)
    log.state = Log.State.READ
    log.first_at, log.notes = recording.first_at, [*recording.notes, *summary.notes]
    if log.instrument is not None and layout is not None and mapping is not None:
        wrong = misfits(log.instrument.known_columns, layout, mapping, summary.ends)
        log.notes += [f"{log.instrument}: {sentence}" for sentence in wrong]
        log.summary["instrument_misfits"] = len(wrong)
    log.row_count, log.duration_s, log.length_m = summary.row_count, summary.duration_s, summary.length_m


def _recording_of(content: Unpacked, layout: Layout | None = None, mapping: Mapping | None = None) -> Recording:
    if content.kind in TRACKS:
        return read_track(content)
    if layout is None or mapping is None:
        layout = find_layout(content.file, content.size).layout
        raise NotARecording(f"The meaning of its {layout.width} columns is not chosen yet.")
    return CsvRecording(content, layout, mapping, timezone.get_default_timezone())
