"""Importing the files in a machine's archive: pictures and recordings, checked like any other upload."""

from __future__ import annotations

import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterable
from typing import Any

from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile, File
from django.db.models import Model

from buildlog.photos.models import Photo
from buildlog.photos.pictures import LARGEST_BYTES as LARGEST_PICTURE_BYTES
from buildlog.photos.pictures import give_files, read_picture
from buildlog.storage.stored_files import Put, fingerprint
from sessions.logs import import_jobs
from sessions.logs.csv_layout import Layout
from sessions.logs.ingest import pack
from sessions.logs.meanings import Mapping
from sessions.logs.models import Log
from sessions.logs.series import NotARecording
from sessions.logs.unpacking import LARGEST_BYTES as LARGEST_LOG_BYTES
from sessions.outings.models import VoiceNote
from sessions.outings.voice_files import LARGEST_BYTES as LARGEST_SOUND_BYTES
from sessions.outings.voice_files import kind_of

NAMES: dict[type[Model], tuple[str, Callable[[Any], str]]] = {
    Photo: ("image", lambda photo: f"photos/{photo.pk}.jpg"),
    VoiceNote: ("sound", lambda note: f"voice/{note.pk}.{note.kind}"),
    Log: ("original", lambda log: f"logs/{log.pk}.{log.kind}"),
}
"""Which records come with a file: its column, and its name in the archive."""


def add_files(model: type[Model], records: Iterable[Any], packed: zipfile.ZipFile) -> None:
    """Add the files of records; one whose file is gone from the data folder goes without."""
    column, name_of = NAMES[model]
    for record in records:
        try:
            with getattr(record, column).open("rb") as file:
                packed.writestr(name_of(record), file.read())
        except FileNotFoundError:
            continue


def take_picture(photo: Photo, packed: zipfile.ZipFile, put: Put, notes: list[str], where: str) -> bool:
    """Import a photo's picture like any other upload; a photo without one is left out, with a note."""
    try:
        name = NAMES[Photo][1](photo)
        if packed.getinfo(name).file_size > LARGEST_PICTURE_BYTES:
            raise ValidationError("larger than any stored photo")
        content = packed.read(name)
        picture = read_picture(ContentFile(content, name="photo"))
    except (KeyError, zipfile.BadZipFile, ValidationError, OSError):
        notes.append(f"{where}: its picture is missing or damaged, so it is left out.")
        return False
    # It was compressed as JPEG once before, so a higher quality keeps the second loss small.
    give_files(photo, picture, put, quality=90)
    return True


def take_sound(note: VoiceNote, packed: zipfile.ZipFile, put: Put, notes: list[str], where: str) -> bool:
    """Import a voice note's sound like any other upload; a note without one is left out, with a sentence."""
    try:
        name = NAMES[VoiceNote][1](note)
        if packed.getinfo(name).file_size > LARGEST_SOUND_BYTES:
            raise ValidationError("larger than any stored voice note")
        sound = ContentFile(packed.read(name), name="sound")
        note.kind = kind_of(sound)
    except (KeyError, zipfile.BadZipFile, ValidationError, OSError):
        notes.append(f"{where}: its sound is missing or damaged, so it is left out.")
        return False
    put(note.sound, sound)
    return True


Later = list[tuple[Log, Layout | None, Mapping | None]]


def take_recording(log: Log, packed: zipfile.ZipFile, put: Put, notes: list[str], where: str, later: Later) -> bool:
    """Import a recording from its original file alone; everything derived from it is computed again.

    What takes longer than a page may is added to `later`, to be asked for once the log is stored.
    """
    try:
        name = NAMES[Log][1](log)
        if packed.getinfo(name).file_size > LARGEST_LOG_BYTES:
            raise NotARecording("larger than any stored log")
        with tempfile.TemporaryFile() as original, tempfile.TemporaryFile() as columns:
            with packed.open(name) as member:
                shutil.copyfileobj(member, original)
            if original.tell() != log.size_bytes or fingerprint(original) != log.sha256:
                raise NotARecording("not the file that was stored")
            chosen = _as_read(log) if log.is_read else (None, None)
            if log.is_read and log.size_bytes > import_jobs.AT_ONCE_BYTES:
                log.state, log.row_count, log.summary, log.notes = Log.State.WAITING, 0, {}, []
                log.first_at = log.length_m = log.duration_s = None
                later.append((log, *chosen))
                notes.append(f"{where}: {log.name} is large, so it is imported in the background.")
            elif log.is_read:
                pack(log, original, columns, *chosen)
                put(log.columns, File(columns))
            original.seek(0)
            put(log.original, File(original))
    except (KeyError, zipfile.BadZipFile, NotARecording, OSError):
        notes.append(f"{where}: its file is missing or damaged, so it is left out.")
        return False
    return True


def _as_read(log: Log) -> tuple[Layout | None, Mapping | None]:
    """The layout and mapping by which a logger's file was read the first time, as the archive states them."""
    if not log.is_table:
        return None, None
    try:
        return Layout.from_json(log.layout), Mapping.from_json(log.mapping)
    except ValueError:
        raise NotARecording("without what its columns mean") from None
