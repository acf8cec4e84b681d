"""Files come and go with their records."""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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


def name_of_its_own(folder: str, key: Any, ending: str) -> str:
    """A file's name that no other ever has, not even when one record is sent to two hosts at one moment:
    the one that comes second takes its own file away again, and never the other's."""
    return f"{folder}/{key}-{secrets.token_hex(6)}{ending}"


def fingerprint(file: IO[bytes]) -> str:
    """SHA-256 of a file, read in blocks; the file stands at its beginning again afterwards."""
    found = hashlib.sha256()
    file.seek(0)
    while block := file.read(BLOCK_BYTES):
        found.update(block)
    file.seek(0)
    return found.hexdigest()


def is_of_the_store(error: BaseException) -> bool:
    """Whether an object store's client raised it; that is installed only where it is used."""
    makers = {kind.__module__.partition(".")[0] for kind in type(error).__mro__}
    return bool(makers & {"botocore", "boto3", "s3transfer"})


@contextmanager
def stored_together() -> Iterator[Put]:
    """Give a function that stores a file; after an error neither records nor files of the block stay.

    Where a server was told to keep the records and its answer was lost, it may have kept them. Then the
    files stay: one that no record names only takes room.
    """
    stored: list[Any] = []
    told_to_keep = False

    def put(field: FieldFile, content: File[bytes]) -> None:
        field.save("", content, save=False)
        stored.append(field)

    try:
        with transaction.atomic():
            yield put
            told_to_keep = True
    except Exception as error:
        answer_lost = told_to_keep and isinstance(error, (OperationalError, InterfaceError))
        if not answer_lost or connection.vendor == "sqlite":
            for field in stored:
                remove_file(field.storage, field.name)
        raise


def files_go_with(model: type[Model]) -> None:
    """Remove a record's files once its own removal is certain, also when it goes with what it belongs to."""
    names = [one.name for one in model._meta.concrete_fields if isinstance(one, FileField)]

    def removed(sender: type[Model], instance: Model, **_: Any) -> None:
        files = [getattr(instance, name) for name in names]

        def remove() -> None:
            for file in files:
                remove_file(file.storage, file.name)

        transaction.on_commit(remove)

    post_delete.connect(removed, sender=model, weak=False, dispatch_uid=f"files of {model._meta.label}")


def remove_file(storage: Storage, name: str) -> None:
    """A file that stays behind only takes room: the record is gone all the same, and that is what is said."""
    try:
        storage.delete(name)
    except Exception:
        log.exception("The file %s could not be removed.", name)
