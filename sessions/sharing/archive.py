"""Exporting everything of one machine into one file, and importing such a file.

The file is a zip: `records.json` holds every record by kind, `tables/` the same as CSV for other
programs, `photos/` the pictures, `logs/` the recordings as they came. Accounts are not in it; the
history of the records has the names of those who changed them, as text.
"""

from __future__ import annotations

import json
import re
import uuid
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import IO, Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError
from django.db.models import Model

from buildlog.failures.models import (
    Failure,
    FailureChange,
    FailureMode,
    Modification,
)
from buildlog.machines.individuals import Individual
from buildlog.machines.models import Part, Revision, Vehicle
from buildlog.photos.models import Photo
from buildlog.records.csv_tables import as_csv
from buildlog.records.models import MadeRecord
from buildlog.storage.stored_files import Put, stored_together
from sessions.logs.import_jobs import ask_for
from sessions.logs.models import Log
from sessions.outings.models import (
    Assumptions,
    Gate,
    GateMark,
    Venue,
    VoiceNote,
)
from sessions.sharing.archive_files import NAMES, Later, add_files, take_picture, take_recording, take_sound
from sessions.sharing.archive_history import history_of, store_history
from sessions.sharing.archive_records import FullPrecision, columns_of, kind_of, records_of
from sessions.sharing.earlier_archives import sign_what_was_held

FORMAT = 1
LARGEST_BYTES = 500 * 1024 * 1024
LARGEST_UNPACKED_BYTES = 2 * 1024**3
LARGEST_RECORDS_BYTES = 200 * 1024 * 1024
MOST_FILES = 20_000
LONE_HALF = re.compile(r"\\u[dD][89a-fA-F]")
"""Half of a character that takes two, as JSON can write it: alone it is no text, and cannot be stored."""


class NotAnArchive(ValueError):
    """The file cannot be imported, and nothing was stored; the message is a sentence to show."""


ORDER: tuple[type[Model], ...] = tuple(records_of(Vehicle()))


def _value(column: Any, record: Model) -> Any:
    """A column's value as the archive writes it: of a file its name."""
    is_file = column.get_internal_type() == "FileField"
    return column.value_to_string(record) if is_file else getattr(record, column.attname)


def export_machine(vehicle: Vehicle, target: IO[bytes]) -> None:
    """Write the archive of a machine."""
    records: dict[str, Any] = {"firnlog": "machine", "format": FORMAT, "name": vehicle.name}
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:
        everything = records_of(vehicle)
        for model, records_of_kind in everything.items():
            columns = columns_of(model)
            names = [column.attname for column in columns]
            rows = []
            for record in records_of_kind:
                row = {column.attname: _value(column, record) for column in columns}
                if model is Modification:
                    row["answers"] = [answered.pk for answered in record.answers.all()]
                rows.append(row)
            records[kind_of(model)] = rows
            packed.writestr(
                f"tables/{kind_of(model)}.csv", as_csv(names, ([row[name] for name in names] for row in rows))
            )
        records["history"] = [entry for model, rows in everything.items() for entry in history_of(model, rows)]
        packed.writestr("records.json", json.dumps(records, cls=FullPrecision, ensure_ascii=False))
        for model in NAMES:
            add_files(model, everything[model], packed)


@dataclass
class ImportResult:
    """The outcome of an import."""

    name: str
    stored: dict[str, int] = field(default_factory=dict)
    already_stored: int = 0
    notes: list[str] = field(default_factory=list)
    vehicle: uuid.UUID | None = None

    @property
    def total(self) -> int:
        return sum(self.stored.values())


def import_machine(file: IO[bytes], size: int) -> ImportResult:
    """Store the records of an archive that are not stored yet; all of them, or nothing.

    Records that are stored already stay unchanged. Raises NotAnArchive with a sentence.
    """
    if size > LARGEST_BYTES:
        raise NotAnArchive(f"The file has {size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB can be imported.")
    try:
        packed = zipfile.ZipFile(file)
    except (zipfile.BadZipFile, OSError, ValueError):
        raise NotAnArchive("This is not a whole zip file. Save the machine's archive again, and send that.") from None
    with packed:
        if len(packed.infolist()) > MOST_FILES:
            raise NotAnArchive(f"The file holds more than {MOST_FILES:,} files, which no machine's archive does.")
        if sum(info.file_size for info in packed.infolist()) > LARGEST_UNPACKED_BYTES:
            raise NotAnArchive("The file would unpack to more than 2 GB, which no machine's archive does.")
        data = _records(packed)
        result = ImportResult(str(data.get("name", ""))[:80])
        try:
            with stored_together() as put:
                keys = _Keys()
                for model in ORDER:
                    rows = data.get(kind_of(model), [])
                    if not isinstance(rows, list):
                        raise NotAnArchive(f"The list of {model._meta.verbose_name_plural} is damaged.")
                    _store(model, rows, keys, result, packed, put)
                if "signoff" not in data and result.total:
                    sign_what_was_held(data, keys.known)
                if (changes := store_history(data.get("history", []), keys.stored_now, keys.known, result.notes)) > 0:
                    result.stored["changes in their history"] = changes
        except IntegrityError:
            raise NotAnArchive("Its records contradict each other or those here, so nothing was stored.") from None
    vehicles = data.get("vehicle") or [{}]
    result.vehicle = keys.known(Vehicle, str(vehicles[0].get("id", ""))) if isinstance(vehicles[0], dict) else None
    return result


def _records(packed: zipfile.ZipFile) -> dict[str, Any]:
    try:
        if packed.getinfo("records.json").file_size > LARGEST_RECORDS_BYTES:
            raise NotAnArchive("Its list of records is larger than any machine's.")
        text = packed.read("records.json").decode("utf-8")
        data = json.loads(text)
    except (KeyError, ValueError, zipfile.BadZipFile, RecursionError, OSError):
        raise NotAnArchive("This zip holds no whole machine: records.json is missing or damaged.") from None
    except (NotImplementedError, RuntimeError):
        raise NotAnArchive("This zip is packed or locked in a way that cannot be read here.") from None
    if r"\u0000" in text:
        raise NotAnArchive("One of its texts holds a zero byte, which cannot be stored.")
    if LONE_HALF.search(text):
        try:
            json.dumps(data, ensure_ascii=False).encode()
        except UnicodeEncodeError:
            raise NotAnArchive("One of its texts holds half a character, which cannot be stored.") from None
    if not isinstance(data, dict) or data.get("firnlog") != "machine":
        raise NotAnArchive("This zip is not the archive of a machine.")
    if data.get("format") != FORMAT:
        raise NotAnArchive(f"The archive has format {str(data.get('format'))[:20]!r}; this server reads {FORMAT}.")
    return data


class _Keys:
    """The keys in the file, and the keys of the stored records that correspond to them."""

    def __init__(self) -> None:
        self._stored_keys: dict[tuple[type[Model], str], Any] = {}
        self.stored_now: set[tuple[str, str]] = set()
        """Kinds and keys of the records that this import stored; the others keep the history that they have here."""

    def add(self, model: type[Model], key: str, stored_key: Any, is_new: bool = False) -> None:
        self._stored_keys[model, key] = stored_key
        if is_new:
            self.stored_now.add((kind_of(model), key))

    def known(self, model: type[Model], key: str) -> Any:
        return self._stored_keys.get((model, key))


SAME_BY_NAME: dict[type[Model], tuple[str, ...]] = {
    Part: ("category", "name"),
    Venue: ("name",),
}
"""Kinds that machines share: a stored record of the same name takes the place of the file's."""


STORED_SINGLY = (Revision, Failure, FailureMode)
"""A later one may refer to an earlier one, or be the same."""


def _store(
    model: type[Model], rows: list[Any], keys: _Keys, result: ImportResult, packed: zipfile.ZipFile, put: Put
) -> None:
    pending, links = [], []
    later: Later = []
    pk = model._meta.pk
    stored = model._default_manager.filter(pk__in=_good_keys(model, rows))
    existing = {str(stored_key) for stored_key in stored.values_list("pk", flat=True)}
    for number, row in enumerate(rows, start=1):
        where = f"{str(model._meta.verbose_name).capitalize()} {number}"
        if not isinstance(row, dict):
            raise NotAnArchive(f"{where} is damaged.")
        key = str(row.get(pk.attname, ""))
        if key in existing and pk.get_internal_type() == "UUIDField":
            keys.add(model, key, uuid.UUID(key))
            result.already_stored += 1
            continue
        twin = _twin(model, row, keys)
        if twin is not None:
            keys.add(model, key, twin)
            result.already_stored += 1
            continue
        record = _make(model, row, keys, where)
        if record is None:
            result.already_stored += 1
            continue
        if model is Photo and not take_picture(record, packed, put, result.notes, where):
            continue
        if model is VoiceNote and not take_sound(record, packed, put, result.notes, where):
            continue
        if model is Log and not take_recording(record, packed, put, result.notes, where, later):
            continue
        keys.add(model, key, record.pk, is_new=True)
        pending.append(record)
        if model is Modification:
            links.append((record, [keys.known(Failure, str(failure_key)) for failure_key in row.get("answers") or []]))
        if model in STORED_SINGLY:
            model._default_manager.bulk_create([record])
    if model not in STORED_SINGLY:
        _store_with_their_times(model, pending)
    for log, layout, mapping in later:
        ask_for(log, layout, mapping)
    for modification, failure_keys in links:
        through = Modification.answers.through
        through.objects.bulk_create(
            through(modification_id=modification.pk, failure_id=failure_key)
            for failure_key in failure_keys
            if failure_key is not None
        )
    if pending:
        result.stored[str(model._meta.verbose_name_plural)] = len(pending)


def _store_with_their_times(model: type[Model], records: list[Any]) -> None:
    """Store records with the moments that the file gives, also where a new record gets that of its storing."""
    stamped = [column.attname for column in columns_of(model) if getattr(column, "auto_now_add", False)]
    moments = [[getattr(record, name) for name in stamped] for record in records]
    model._default_manager.bulk_create(records)
    late = []
    for record, of_record in zip(records, moments, strict=True):
        known = {name: moment for name, moment in zip(stamped, of_record, strict=True) if moment is not None}
        for name, moment in known.items():
            setattr(record, name, moment)
        if known:
            late.append(record)
    if late:
        model._default_manager.bulk_update(late, stamped, batch_size=500)


def _good_keys(model: type[Model], rows: Iterable[Any]) -> list[Any]:
    keys = []
    for row in rows:
        value = row.get(model._meta.pk.attname) if isinstance(row, dict) else None
        try:
            keys.append(model._meta.pk.to_python(value))
        except ValidationError:
            continue
    return [value for value in keys if value is not None]


def _twin(model: type[Model], row: dict[str, Any], keys: _Keys) -> Any:
    if model is FailureMode:
        # The same by the form of its name, as when a person types it.
        same = FailureMode.named(str(row.get("name", "")))
        return same.pk if same else None
    if model is Individual:
        part = keys.known(Part, str(row.get("part_id", "")))
        same_piece = Individual.objects.filter(part=part, serial=str(row.get("serial", "")))
        return same_piece.values_list("pk", flat=True).first()
    names = SAME_BY_NAME.get(model)
    if not names:
        return None
    return (
        model._default_manager.filter(**{name: str(row.get(name, "")) for name in names})
        .values_list("pk", flat=True)
        .first()
    )


def _make(model: type[Model], row: dict[str, Any], keys: _Keys, where: str) -> Any:
    """A validated record from a row of the file; None for a row of a record that was stored already."""
    values = {}
    for column in columns_of(model):
        value = row.get(column.attname)
        if column.is_relation and value is not None:
            stored_key = keys.known(column.related_model, str(value))
            if stored_key is None:
                if column.null:
                    continue
                raise NotAnArchive(f"{where} belongs to a {column.related_model._meta.verbose_name} that is missing.")
            value = stored_key
        if column.primary_key and column.get_internal_type() == "BigAutoField":
            continue
        if column.get_internal_type() != "FileField":
            values[column.attname] = value
    record = model(**{name: value for name, value in values.items() if value is not None})
    if isinstance(record, Modification) and isinstance(record.changed, list):
        # A part that is here already under another key takes the place of the file's.
        record.changed = [str(keys.known(Part, str(name)) or name) for name in record.changed]
    if isinstance(record, MadeRecord):
        record.came_from_elsewhere(values.get("made_at"))
    if isinstance(record, GateMark) and (kind_of(Gate), str(row.get("gate_id"))) not in keys.stored_now:
        return None  # that gate is here already, and keeps the marks that it has
    if isinstance(record, FailureChange) and _exists(record):
        return None
    if model is Assumptions and Assumptions.objects.filter(pk=record.pk).exists():
        return None
    try:
        files = [column.name for column in model._meta.concrete_fields if column.get_internal_type() == "FileField"]
        record.clean_fields(exclude=files)
        record.clean()
        record.validate_unique()
        record.validate_constraints(exclude=set(files))
    except ValidationError as error:
        raise NotAnArchive(f"{where} breaks a rule: {' '.join(error.messages)} Nothing was stored.") from None
    except (TypeError, ValueError, OverflowError):
        raise NotAnArchive(f"{where} holds something that is not what its field keeps. Nothing was stored.") from None
    return record


def _exists(record: FailureChange) -> bool:
    """Whether a step of a failure, which has no key of its own, is stored already."""
    try:
        change = {"failure_id": record.failure_id, "changed_at": record.changed_at, "to_state": record.to_state}
        return FailureChange.objects.filter(**change).exists()
    except (ValidationError, TypeError, ValueError):
        raise NotAnArchive("A failure change of the file is damaged. Nothing was stored.") from None
