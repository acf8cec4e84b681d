"""Everything of one machine in one file, and reading such a file in again.

The file is a zip: `records.json` holds every record by kind, `tables/` the same as CSV for other
programs, `photos/` the pictures, `logs/` the recordings as they came. Accounts and their names are not in it.
"""

from __future__ import annotations

import json
import uuid
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import IO, Any

from django.core.exceptions import ValidationError
from django.core.serializers.json import DjangoJSONEncoder
from django.db import IntegrityError
from django.db.models import Model, Q, QuerySet

from buildlog.failures.models import Cause, Evidence, Failure, FailureChange, FailureMode, Modification
from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.photos.models import Photo
from buildlog.records.models import MadeRecord
from buildlog.storage.stored_files import Put, stored_together
from sessions.bench.models import TestCard, TestCardItem
from sessions.logs.models import Log
from sessions.outings.models import Assumptions, Gate, GateMark, GoNoGoCheck, Pass, Reading, Session, TrackPart, Venue
from sessions.sharing.archive_files import take_picture, take_recording
from sessions.sharing.tables import as_csv

FORMAT = 1
LARGEST_BYTES = 500 * 1024 * 1024
LARGEST_UNPACKED_BYTES = 2 * 1024**3
LARGEST_RECORDS_BYTES = 200 * 1024 * 1024
MOST_FILES = 20_000
LEFT_OUT = {"account", "made_by", "invented", "created_at"}
"""Who did something stays at home; what the demo marks is no part of a machine."""


class NotAnArchive(ValueError):
    """The file cannot be read in; the message is a sentence for people, and nothing was stored."""


def _of(vehicle: Vehicle) -> dict[type[Model], QuerySet[Any]]:
    """Every record of a machine, each kind after those it rests on."""
    sessions = Session.objects.filter(revision__vehicle=vehicle)
    ridden_at = Venue.objects.filter(sessions__in=sessions).distinct()
    parts = Part.objects.filter(
        Q(fittings__revision__vehicle=vehicle) | Q(failures__revision__vehicle=vehicle)
    ).distinct()
    photos = Q(revision__vehicle=vehicle) | Q(session__in=sessions) | Q(failure__revision__vehicle=vehicle)
    return {
        Vehicle: Vehicle.objects.filter(pk=vehicle.pk),
        Assumptions: Assumptions.objects.filter(vehicle=vehicle),
        Part: parts,
        Revision: Revision.objects.filter(vehicle=vehicle).order_by("number"),
        Fitting: Fitting.objects.filter(revision__vehicle=vehicle),
        Venue: ridden_at,
        Gate: Gate.objects.filter(venue__in=ridden_at),
        GateMark: GateMark.objects.filter(gate__venue__in=ridden_at),
        Session: sessions.order_by("started_at", "pk"),
        Pass: Pass.objects.filter(session__in=sessions),
        Reading: Reading.objects.filter(session__in=sessions),
        GoNoGoCheck: GoNoGoCheck.objects.filter(session__in=sessions),
        TrackPart: TrackPart.objects.filter(session__in=sessions),
        FailureMode: FailureMode.objects.filter(failures__revision__vehicle=vehicle).distinct(),
        Cause: Cause.objects.filter(vehicle=vehicle),
        Failure: Failure.objects.filter(revision__vehicle=vehicle).order_by("happened_at", "pk"),
        Modification: Modification.objects.filter(revision__vehicle=vehicle).prefetch_related("answers"),
        FailureChange: FailureChange.objects.filter(failure__revision__vehicle=vehicle),
        Log: Log.objects.filter(session__in=sessions),
        TestCard: TestCard.objects.filter(revision__vehicle=vehicle),
        TestCardItem: TestCardItem.objects.filter(card__revision__vehicle=vehicle),
        Photo: Photo.objects.filter(photos | Q(part__in=parts)),
        Evidence: Evidence.objects.filter(cause__vehicle=vehicle),
    }


ORDER: tuple[type[Model], ...] = tuple(_of(Vehicle()))


def _kind(model: type[Model]) -> str:
    return str(model._meta.model_name)


def _columns(model: type[Model]) -> list[Any]:
    columns = [one for one in model._meta.concrete_fields if one.name not in LEFT_OUT]
    return sorted(columns, key=lambda one: one.name == "made_at")  # the last column, after what it is about


class _WholeMoments(DjangoJSONEncoder):
    """The framework cuts moments to milliseconds; a record must come back as it was, and be known again."""

    def default(self, o: Any) -> Any:
        return o.isoformat() if isinstance(o, datetime) else super().default(o)


def write(vehicle: Vehicle, target: IO[bytes]) -> None:
    """Write the archive of a machine."""
    records: dict[str, Any] = {"firnlog": "machine", "format": FORMAT, "name": vehicle.name}
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:
        everything = _of(vehicle)
        for model, found in everything.items():
            columns = _columns(model)
            names = [one.attname for one in columns]
            rows = []
            for one in found:
                row = {name: columns[index].value_to_string(one) if columns[index].get_internal_type() == "FileField"
                       else getattr(one, name) for index, name in enumerate(names)}  # fmt: skip
                if model is Modification:
                    row["answers"] = [answered.pk for answered in one.answers.all()]
                rows.append(row)
            records[_kind(model)] = rows
            packed.writestr(
                f"tables/{_kind(model)}.csv", as_csv(names, ([row[name] for name in names] for row in rows))
            )
        packed.writestr("records.json", json.dumps(records, cls=_WholeMoments, ensure_ascii=False))
        files = [(f"photos/{one.pk}.jpg", one.image) for one in everything[Photo]]
        files += [(f"logs/{one.pk}.{one.kind}", one.original) for one in everything[Log]]
        for name, field in files:
            try:
                with field.open("rb") as held:
                    packed.writestr(name, held.read())
            except FileNotFoundError:
                continue


@dataclass
class ReadIn:
    """What became of an archive."""

    name: str
    stored: dict[str, int] = field(default_factory=dict)
    was_there: int = 0
    notes: list[str] = field(default_factory=list)
    vehicle: uuid.UUID | None = None

    @property
    def total(self) -> int:
        return sum(self.stored.values())


def read(file: IO[bytes], size: int) -> ReadIn:
    """Store what an archive holds and is not here yet; all of it, or nothing.

    Records that are here already stay as they are. Raises NotAnArchive with a sentence.
    """
    if size > LARGEST_BYTES:
        raise NotAnArchive(f"The file has {size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are read in.")
    try:
        packed = zipfile.ZipFile(file)
    except (zipfile.BadZipFile, OSError, ValueError):
        raise NotAnArchive("This is not a whole zip file. Save the machine's archive again, and send that.") from None
    with packed:
        if len(packed.infolist()) > MOST_FILES:
            raise NotAnArchive(f"The file holds more than {MOST_FILES:,} files, which no machine's archive does.")
        if sum(one.file_size for one in packed.infolist()) > LARGEST_UNPACKED_BYTES:
            raise NotAnArchive("The file would unpack to more than 2 GB, which no machine's archive does.")
        told = _records(packed)
        done = ReadIn(str(told.get("name", ""))[:80])
        try:
            with stored_together() as put:
                keys = _Keys()
                for model in ORDER:
                    rows = told.get(_kind(model), [])
                    if not isinstance(rows, list):
                        raise NotAnArchive(f"The list of {model._meta.verbose_name_plural} is damaged.")
                    _store(model, rows, keys, done, packed, put)
        except IntegrityError:
            raise NotAnArchive("Its records contradict each other or those here, so nothing was stored.") from None
    vehicles = told.get("vehicle") or [{}]
    done.vehicle = keys.known(Vehicle, str(vehicles[0].get("id", ""))) if isinstance(vehicles[0], dict) else None
    return done


def _records(packed: zipfile.ZipFile) -> dict[str, Any]:
    try:
        if packed.getinfo("records.json").file_size > LARGEST_RECORDS_BYTES:
            raise NotAnArchive("Its list of records is larger than any machine's.")
        text = packed.read("records.json").decode("utf-8")
        told = json.loads(text)
    except (KeyError, ValueError, zipfile.BadZipFile, RecursionError, OSError):
        raise NotAnArchive("This zip holds no whole machine: records.json is missing or damaged.") from None
    except (NotImplementedError, RuntimeError):
        raise NotAnArchive("This zip is packed or locked in a way that cannot be read here.") from None
    if r"\u0000" in text:
        raise NotAnArchive("One of its texts holds a zero byte, which cannot be stored.")
    if not isinstance(told, dict) or told.get("firnlog") != "machine":
        raise NotAnArchive("This zip is not the archive of a machine.")
    if told.get("format") != FORMAT:
        raise NotAnArchive(f"The archive has format {str(told.get('format'))[:20]!r}; this server reads {FORMAT}.")
    return told


class _Keys:
    """Keys of the file, and the records here that stand for them."""

    def __init__(self) -> None:
        self._here: dict[tuple[type[Model], str], Any] = {}

    def add(self, model: type[Model], told: str, here: Any) -> None:
        self._here[model, told] = here

    def known(self, model: type[Model], told: str) -> Any:
        return self._here.get((model, told))


SAME_BY_NAME: dict[type[Model], tuple[str, ...]] = {
    Part: ("category", "name"),
    Venue: ("name",),
    FailureMode: ("name",),
}
"""Words and things that machines share: one of that name here stands for the file's."""


def _store(model: type[Model], rows: list[Any], keys: _Keys, done: ReadIn, packed: zipfile.ZipFile, put: Put) -> None:
    pending, links = [], []
    pk = model._meta.pk
    there = {
        str(one) for one in model._default_manager.filter(pk__in=_good_keys(model, rows)).values_list("pk", flat=True)
    }
    for number, row in enumerate(rows, start=1):
        where = f"{str(model._meta.verbose_name).capitalize()} {number}"
        if not isinstance(row, dict):
            raise NotAnArchive(f"{where} is damaged.")
        told = str(row.get(pk.attname, ""))
        if told in there and pk.get_internal_type() == "UUIDField":
            keys.add(model, told, uuid.UUID(told))
            done.was_there += 1
            continue
        twin = _twin(model, row)
        if twin is not None:
            keys.add(model, told, twin)
            done.was_there += 1
            continue
        made = _make(model, row, keys, where)
        if made is None:
            done.was_there += 1
            continue
        if model is Photo and not take_picture(made, packed, put, done.notes, where):
            continue
        if model is Log and not take_recording(made, packed, put, done.notes, where):
            continue
        keys.add(model, told, made.pk)
        pending.append(made)
        if model is Modification:
            links.append((made, [keys.known(Failure, str(one)) for one in row.get("answers") or []]))
        if model in (Revision, Failure):
            # These rest on one another, the later on the earlier, so each must be there for the next.
            model._default_manager.bulk_create([made])
    if model not in (Revision, Failure):
        model._default_manager.bulk_create(pending)
    for modification, answered in links:
        through = Modification.answers.through
        through.objects.bulk_create(
            through(modification_id=modification.pk, failure_id=one) for one in answered if one is not None
        )
    if pending:
        done.stored[str(model._meta.verbose_name_plural)] = len(pending)


def _good_keys(model: type[Model], rows: Iterable[Any]) -> list[Any]:
    found = []
    for row in rows:
        told = row.get(model._meta.pk.attname) if isinstance(row, dict) else None
        try:
            found.append(model._meta.pk.to_python(told))
        except ValidationError:
            continue
    return [one for one in found if one is not None]


def _twin(model: type[Model], row: dict[str, Any]) -> Any:
    names = SAME_BY_NAME.get(model)
    if not names:
        return None
    return (
        model._default_manager.filter(**{name: str(row.get(name, "")) for name in names})
        .values_list("pk", flat=True)
        .first()
    )


def _make(model: type[Model], row: dict[str, Any], keys: _Keys, where: str) -> Any:
    """A record as the file tells it, judged by its own rules; None for a row that hangs on one that was here."""
    values = {}
    for column in _columns(model):
        value = row.get(column.attname)
        if column.is_relation and value is not None:
            here = keys.known(column.related_model, str(value))
            if here is None:
                if column.null:
                    continue
                raise NotAnArchive(f"{where} belongs to a {column.related_model._meta.verbose_name} that is missing.")
            value = here
        if column.primary_key and column.get_internal_type() == "BigAutoField":
            continue
        if column.get_internal_type() != "FileField":
            values[column.attname] = value
    made = model(**{name: value for name, value in values.items() if value is not None})
    if isinstance(made, MadeRecord):
        made.came_from_elsewhere(values.get("made_at"))
    if model in (GateMark, FailureChange) and _is_there(model, made):
        return None
    if model is Assumptions and Assumptions.objects.filter(pk=made.pk).exists():
        return None
    try:
        files = [one.name for one in model._meta.concrete_fields if one.get_internal_type() == "FileField"]
        made.clean_fields(exclude=files)
        made.clean()
        made.validate_unique()
        made.validate_constraints(exclude=set(files))
    except ValidationError as error:
        raise NotAnArchive(f"{where} breaks a rule: {' '.join(error.messages)} Nothing was stored.") from None
    except (TypeError, ValueError, OverflowError):
        raise NotAnArchive(f"{where} holds something that is not what its field keeps. Nothing was stored.") from None
    return made


def _is_there(model: type[Model], made: Any) -> bool:
    """Rows without a key of their own belong to a record; where that was here already, so were they."""
    try:
        if model is GateMark:
            return GateMark.objects.filter(gate_id=made.gate_id, position_m=made.position_m).exists()
        told = {"failure_id": made.failure_id, "changed_at": made.changed_at, "to_state": made.to_state}
        return FailureChange.objects.filter(**told).exists()
    except (ValidationError, TypeError, ValueError):
        raise NotAnArchive(f"A {model._meta.verbose_name} of the file is damaged. Nothing was stored.") from None
