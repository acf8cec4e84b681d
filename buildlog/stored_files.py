"""Files come and go with their records."""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from django.core.files.base import File
from django.db import transaction
from django.db.models import FileField, Model
from django.db.models.fields.files import FieldFile
from django.db.models.signals import post_delete

Put = Callable[[FieldFile, File], None]
log = logging.getLogger(__name__)


def name_of_its_own(folder: str, key: Any, ending: str) -> str:
    """A file's name that no other ever has, not even when one record is sent to two hosts at one moment:
    the one that comes second takes its own file away again, and never the other's."""
    return f"{folder}/{key}-{secrets.token_hex(6)}{ending}"


@contextmanager
def stored_together() -> Iterator[Put]:
    """Give a function that stores a file; after an error neither records nor files of the block stay."""
    stored: list[Any] = []

    def put(field: FieldFile, content: File) -> None:
        field.save("", content, save=False)
        stored.append(field)

    try:
        with transaction.atomic():
            yield put
    except Exception:
        for field in stored:
            _remove(field)
        raise


def files_go_with(model: type[Model]) -> None:
    """Remove a record's files once its own removal is certain, also when it goes with what it belongs to."""
    names = [one.name for one in model._meta.concrete_fields if isinstance(one, FileField)]

    def removed(sender: type[Model], instance: Model, **_: Any) -> None:
        files = [getattr(instance, name) for name in names]

        def remove() -> None:
            for file in files:
                _remove(file)

        transaction.on_commit(remove)

    post_delete.connect(removed, sender=model, weak=False, dispatch_uid=f"files of {model._meta.label}")


def _remove(file: FieldFile) -> None:
    """A file that stays behind only takes room: the record is gone all the same, and that is what is said."""
    try:
        file.storage.delete(file.name)
    except Exception:
        log.exception("The file %s could not be removed.", file.name)
