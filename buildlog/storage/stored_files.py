"""Files that are stored and removed together with their records."""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import IO, Any

from django.core.files.base import File
from django.core.files.storage import Storage
from django.db import InterfaceError, OperationalError, connection, transaction
from django.db.models import FileField, Model
from django.db.models.fields.files import FieldFile
from django.db.models.signals import post_delete

Put = Callable[[FieldFile, File[bytes]], None]
log = logging.getLogger(__name__)
BLOCK_BYTES = 1024 * 1024


def unique_file_name(folder: str, key: Any, ending: str) -> str:
    """A file name that is never used twice, even when one record is sent to two hosts at the same time: the host
    that comes second then removes its own file, and never the other's."""
    return f"{folder}/{key}-{secrets.token_hex(6)}{ending}"


def fingerprint(file: IO[bytes]) -> str:
    """SHA-256 of a file, read in blocks; the file is at its beginning again afterwards."""
    digest = hashlib.sha256()
    file.seek(0)
    while block := file.read(BLOCK_BYTES):
        digest.update(block)
    file.seek(0)
    return digest.hexdigest()


def is_object_store_error(error: BaseException) -> bool:
    """Whether the client of an object store raised the error. The client is installed only where it is used."""
    packages = {kind.__module__.partition(".")[0] for kind in type(error).__mro__}
    return bool(packages & {"botocore", "boto3", "s3transfer"})


@contextmanager
def stored_together() -> Iterator[Put]:
    """Give a function that stores a file; after an error neither records nor files of the block stay.

    Where a database server was asked to commit and its answer was lost, it may have committed. Then the files stay:
    one that no record names only takes space.
    """
    stored: list[Any] = []
    commit_requested = False

    def put(field: FieldFile, content: File[bytes]) -> None:
        field.save("", content, save=False)
        stored.append(field)

    try:
        with transaction.atomic():
            yield put
            commit_requested = True
    except Exception as error:
        answer_lost = commit_requested and isinstance(error, (OperationalError, InterfaceError))
        if not answer_lost or connection.vendor == "sqlite":
            for field in stored:
                remove_file(field.storage, field.name)
        raise


_kept_names: ContextVar[list[str] | None] = ContextVar("kept_names", default=None)


@contextmanager
def files_kept() -> Iterator[list[str]]:
    """Keep the files of records that are removed in this block; gives the list into which their names come."""
    names: list[str] = []
    token = _kept_names.set(names)
    try:
        yield names
    finally:
        _kept_names.reset(token)


def remove_files_with(model: type[Model]) -> None:
    """Remove a record's files once its removal is committed, also when it is removed along with its owner."""
    names = [field.name for field in model._meta.concrete_fields if isinstance(field, FileField)]

    def removed(sender: type[Model], instance: Model, **_: Any) -> None:
        files = [getattr(instance, name) for name in names]
        if (kept := _kept_names.get()) is not None:
            kept.extend(file.name for file in files if file)
            return

        def remove() -> None:
            for file in filter(None, files):
                remove_file(file.storage, file.name)

        transaction.on_commit(remove)

    post_delete.connect(removed, sender=model, weak=False, dispatch_uid=f"files of {model._meta.label}")


def remove_file(storage: Storage, name: str) -> None:
    """Remove a file. A failure is only logged: the record is gone already, and a file left behind only takes space."""
    try:
        storage.delete(name)
    except Exception:
        log.exception("The file %s could not be removed.", name)
