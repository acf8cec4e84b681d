"""Copying the files that records name from one store to another, each proven by its hash."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from django.apps import apps
from django.core.files.base import File
from django.core.files.storage import Storage
from django.db import DEFAULT_DB_ALIAS
from django.db.models import FileField

from buildlog.records.models import Removal
from buildlog.storage.stored_files import fingerprint, is_object_store_error


class CannotCopyFile(Exception):
    """The copy stopped at a file; the message is a sentence for people. What was copied before stays."""


@dataclass
class Report:
    copied: int = 0
    already_stored: int = 0
    size_bytes: int = 0
    missing: list[str] = field(default_factory=list)
    """Files that a record names and the source does not have."""


def named_files(of: str = DEFAULT_DB_ALIAS) -> Iterator[str]:
    """The name of every file that a record of a database names, or had when it was deleted into the trash."""
    for model in apps.get_models():
        names = [column.name for column in model._meta.concrete_fields if isinstance(column, FileField)]
        if names:
            for row in model._base_manager.using(of).order_by("pk").values_list(*names).iterator(chunk_size=1000):
                yield from filter(None, row)
    for files in Removal.objects.using(of).values_list("files", flat=True):
        yield from files


def copy_files(source: Storage, target: Storage, of: str = DEFAULT_DB_ALIAS) -> Report:
    """Copy every file that a record of a database names and the target does not hold yet, and compare what
    reads back by its hash.

    Nothing is removed. Raises CannotCopyFile when another file stands under the same name, or a store fails.
    """
    report = Report()
    try:
        _copy(source, target, of, report)
    except Exception as error:
        if not isinstance(error, OSError) and not is_object_store_error(error):
            raise
        raise CannotCopyFile(f"The files could not all be copied: {str(error).rstrip('.')}.") from error
    return report


def _copy(source: Storage, target: Storage, of: str, report: Report) -> None:
    for name in named_files(of):
        try:
            sent = _hash_of(source, name)
        except FileNotFoundError:
            report.missing.append(name)
            continue
        if target.exists(name):
            report.already_stored += 1
        else:
            with source.open(name, "rb") as file:
                stored = target.save(name, File(file, name=name))
            if stored != name:
                target.delete(stored)
                raise CannotCopyFile(f"{name} could not be stored under its own name.")
            report.copied += 1
        if _hash_of(target, name) != sent:
            raise CannotCopyFile(f"{name} does not read back as it was sent; another file may stand under its name.")
        report.size_bytes += target.size(name)


def _hash_of(store: Storage, name: str) -> str:
    with store.open(name, "rb") as file:
        return fingerprint(file)
