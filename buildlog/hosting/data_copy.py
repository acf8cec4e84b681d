"""Copying everything an installation has stored from one database to another, and proving it.

Database products write the same value differently: a moment as text or as a number, a JSON object
with its keys in this order or that. So rows are compared by what they mean: each is written in one
canonical form and hashed, and a table's hash is that of its rows' hashes in order. Two tables with
one hash hold the same rows, whichever product keeps them. Numbers are the same when they are equal.
"""

from __future__ import annotations

import datetime
import hashlib
import itertools
import json
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from django.apps import apps
from django.contrib.auth.models import Permission
from django.contrib.contenttypes.models import ContentType
from django.core.management import call_command
from django.core.management.color import no_style
from django.db import DatabaseError, connections, router, transaction
from django.db.models import Model
from django.db.utils import load_backend

from buildlog.hosting.version import newer_than_known, steps

BATCH = 1000
WRITTEN_BY_MIGRATE: tuple[type[Model], ...] = (ContentType, Permission)
"""Tables that `migrate` fills in an empty database; a copy replaces their rows by the source's."""


class CannotCopy(Exception):
    """Nothing was copied; the message is a sentence to show."""


@dataclass(frozen=True)
class Table:
    name: str
    rows: int
    sha256: str


@dataclass(frozen=True)
class Report:
    """Every table of a database with its number of rows and their hash."""

    tables: tuple[Table, ...]

    @property
    def rows(self) -> int:
        return sum(table.rows for table in self.tables)

    @property
    def sha256(self) -> str:
        """One hash for the whole."""
        return hashlib.sha256("".join(f"{table.name} {table.sha256}\n" for table in self.tables).encode()).hexdigest()

    def differences(self, other: Report) -> list[str]:
        own, others = ({table.name: table for table in report.tables} for report in (self, other))
        return [name for name in sorted({*own, *others}) if own.get(name) != others.get(name)]


@contextmanager
def temporary_alias(alias: str, settings: dict[str, Any]) -> Iterator[str]:
    """Register a database under an alias in this thread for the length of the block, then close it."""
    if alias in connections:
        raise ValueError(f"A database is known as {alias!r} already.")
    ready = connections.configure_settings({"default": connections.databases["default"], alias: settings})[alias]
    connections[alias] = load_backend(ready["ENGINE"]).DatabaseWrapper(ready, alias)
    try:
        yield alias
    finally:
        connections[alias].close()
        del connections[alias]


def sqlite_file(path: Path | str) -> dict[str, Any]:
    """The settings of a SQLite database that is one file and nothing beside it."""
    return {"ENGINE": "django.db.backends.sqlite3", "NAME": str(path)}


def copied_models(alias: str) -> list[type[Model]]:
    """Every model that has a table in this database, with the tables between them, by name of table."""
    models = apps.get_models(include_auto_created=True)
    stored = [model for model in models if model._meta.managed and not model._meta.proxy]
    return sorted(
        (model for model in stored if router.allow_migrate_model(alias, model)),
        key=lambda model: str(model._meta.db_table),
    )


def fingerprint(alias: str) -> Report:
    """Count and hash every table in one snapshot."""
    with _snapshot(alias, lock_source=False):
        return Report(tuple(_read(model, alias) for model in copied_models(alias)))


def copy_everything(source: str, target: str, *, lock_source: bool = False) -> Report:
    """Copy every row of every table into an empty database, all or nothing, and prove it.

    The target is brought up to date first, and its sequences go on after the highest keys. What was
    written is read back, counted and hashed, and compared before the target commits.
    `lock_source` keeps others from writing to the source meanwhile; without it they may, and the copy is a
    snapshot of the source. (SQLite with `transaction_mode` IMMEDIATE always blocks writers.) Raises CannotCopy
    with a sentence.
    """
    if source == target:
        raise CannotCopy("Source and target are the same database.")
    _require_this_version(source)
    _require_empty(target)
    call_command("migrate", database=target, interactive=False, verbosity=0)
    models = copied_models(target)
    with _snapshot(source, lock_source), transaction.atomic(using=target):
        with connections[target].cursor() as cursor:
            # Foreign keys are judged at the end, so the order does not matter.
            for model in WRITTEN_BY_MIGRATE:
                cursor.execute(f"DELETE FROM {connections[target].ops.quote_name(model._meta.db_table)}")  # noqa: S608
        try:
            sent = Report(tuple(_read(model, source, into=target) for model in models))
            connections[target].check_constraints()
        except DatabaseError as error:
            raise CannotCopy(f"The target refuses what the source holds, so nothing was copied: {error}") from error
        with connections[target].cursor() as cursor:
            for statement in connections[target].ops.sequence_reset_sql(no_style(), models):
                cursor.execute(statement)
        stored = Report(tuple(_read(model, target) for model in models))
        if wrong := sent.differences(stored):
            raise CannotCopy(
                f"What was written does not read back the same in {', '.join(wrong)}, so nothing was copied."
            )
    # The framework caches content types by key, and the target's keys have just changed.
    ContentType.objects.clear_cache()
    return stored


def _require_this_version(alias: str) -> None:
    applied, waiting = steps(alias)
    if unknown := newer_than_known(applied):
        raise CannotCopy(
            "The source was written by a newer version, which this one does not know "
            f"({', '.join(unknown[:3])}). Update the program first."
        )
    if waiting:
        raise CannotCopy("The source was written by an older version. Bring it up to date first: manage.py update")


@contextmanager
def _snapshot(alias: str, lock_source: bool) -> Iterator[None]:
    """Within the block the database reads as it was at the block's beginning, whatever others write."""
    connection = connections[alias]
    begins_here = not connection.in_atomic_block
    with transaction.atomic(using=alias):
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                if begins_here:
                    cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
                if lock_source:
                    names = [connection.ops.quote_name(model._meta.db_table) for model in copied_models(alias)]
                    cursor.execute(f"LOCK TABLE {', '.join(names)} IN SHARE MODE")
        yield


def _require_empty(target: str) -> None:
    connection = connections[target]
    with connection.cursor() as cursor:
        existing = set(connection.introspection.table_names(cursor))
        for model in copied_models(target):
            name = model._meta.db_table
            if model in WRITTEN_BY_MIGRATE or name not in existing:
                continue
            cursor.execute(f"SELECT count(*) FROM {connection.ops.quote_name(name)}")  # noqa: S608
            if row_count := cursor.fetchone()[0]:
                raise CannotCopy(
                    f"The target is not empty: {name} holds {row_count} row{'' if row_count == 1 else 's'}. Nothing is "
                    "ever copied over existing records; name an empty database."
                )


def _read(model: type[Model], alias: str, into: str | None = None) -> Table:
    """Count and hash a table's rows, and write each into another database where one is named."""
    names = [field.attname for field in model._meta.concrete_fields]
    rows = model._base_manager.using(alias).order_by("pk").values_list(*names).iterator(chunk_size=BATCH)
    hashes = []
    while batch := list(itertools.islice(rows, BATCH)):
        if into is not None:
            _write(model, into, batch)
        hashes += [hashlib.sha256(_canonical_row(row)).digest() for row in batch]
    # Database products sort text keys by different rules; sorted hashes have one order.
    return Table(model._meta.db_table, len(hashes), hashlib.sha256(b"".join(sorted(hashes))).hexdigest())


def _write(model: type[Model], alias: str, rows: list[tuple[Any, ...]]) -> None:
    """Insert rows unchanged: no signal, default or "now" may alter a value."""
    connection = connections[alias]
    fields = model._meta.concrete_fields
    quoted = connection.ops.quote_name
    columns, places = ", ".join(quoted(field.column) for field in fields), ", ".join(["%s"] * len(fields))
    statement = f"INSERT INTO {quoted(model._meta.db_table)} ({columns}) VALUES ({places})"  # noqa: S608

    def prepared(row: tuple[Any, ...]) -> list[Any]:
        return [field.get_db_prep_save(value, connection) for field, value in zip(fields, row, strict=True)]

    try:
        with transaction.atomic(using=alias), connection.cursor() as cursor:
            cursor.executemany(statement, [prepared(row) for row in rows])
    except (DatabaseError, ValueError):
        # One row is refused: insert one by one, to name it by its key.
        for row in rows:
            try:
                with transaction.atomic(using=alias), connection.cursor() as cursor:
                    cursor.execute(statement, prepared(row))
            except (DatabaseError, ValueError) as error:
                key = row[[field.primary_key for field in fields].index(True)]
                raise CannotCopy(
                    f"The target cannot keep the row {key} of {model._meta.db_table}, so nothing was copied: {error}"
                ) from error
        raise


def _canonical_row(row: tuple[Any, ...]) -> bytes:
    values = [_canonical(value) for value in row]
    return json.dumps(values, sort_keys=True, separators=(",", ":")).encode()


def _canonical(value: Any) -> Any:
    """A value in one canonical form, whichever way a database stores it."""
    match value:
        case None | bool() | str():
            return value
        case int():
            return value
        case float():
            return int(value) if value.is_integer() else value
        case Decimal():
            return ["decimal", str(value.normalize())]
        case datetime.datetime():
            return ["moment", value.astimezone(datetime.UTC).isoformat(timespec="microseconds")]
        case datetime.date() | datetime.time():
            return [type(value).__name__, value.isoformat()]
        case datetime.timedelta():
            return ["timedelta", value / datetime.timedelta(microseconds=1)]
        case uuid.UUID():
            return ["uuid", value.hex]
        case bytes() | memoryview():
            return ["bytes", bytes(value).hex()]
        case list() | tuple():
            return [_canonical(item) for item in value]
        case dict():
            return {str(key): _canonical(item) for key, item in value.items()}
    raise CannotCopy(f"A {type(value).__name__} cannot be compared between databases.")
