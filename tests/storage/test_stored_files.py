"""Files that come and go with their records, also where what became of the records is not known."""

from types import SimpleNamespace

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import InMemoryStorage
from django.db import IntegrityError, OperationalError

from buildlog.storage import stored_files


class Field:
    """A record's place for a file."""

    def __init__(self, storage):
        self.storage, self.name = storage, ""

    def save(self, _, content, save):
        self.name = self.storage.save("a/b.jpg", content)


def stores_until(error, on_commit, vendor, monkeypatch):
    """Store a file in a block that breaks, within it or when it commits. Whether the file stayed."""

    class Transaction:
        def __enter__(self):
            return self

        def __exit__(self, kind, *_):
            if on_commit and kind is None:
                raise error

    monkeypatch.setattr(stored_files, "transaction", SimpleNamespace(atomic=Transaction))
    monkeypatch.setattr(stored_files, "connection", SimpleNamespace(vendor=vendor))
    storage = InMemoryStorage()

    def store():
        with stored_files.stored_together() as put:
            put(Field(storage), ContentFile(b"x"))
            if not on_commit:
                raise error

    with pytest.raises(type(error)):
        store()
    return storage.exists("a/b.jpg")


@pytest.mark.parametrize(
    ("error", "on_commit", "vendor", "stays"),
    [
        (OperationalError("server closed the connection unexpectedly"), True, "postgresql", True),
        (OperationalError("server closed the connection unexpectedly"), False, "postgresql", False),
        (IntegrityError("told by the test"), True, "postgresql", False),
        (ValueError("told by the test"), False, "postgresql", False),
        (OperationalError("database or disk is full"), True, "sqlite", False),
    ],
)
def test_a_file_stays_only_where_its_record_may_be_there(error, on_commit, vendor, stays, monkeypatch):
    assert stores_until(error, on_commit, vendor, monkeypatch) is stays
