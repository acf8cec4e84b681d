"""Small notes in the data folder, as JSON: each is replaced as a whole, and its moments are in UTC."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from buildlog.storage.durable_files import write_atomically


def read_note(path: Path, moments: Collection[str]) -> dict[str, Any]:
    """The fields of a note; `moments` are its moments. Raises OSError, ValueError or TypeError if there is none that
    can be read."""
    note = json.loads(path.read_text())
    if not isinstance(note, dict):
        raise TypeError(f"{path} holds no fields.")
    return {**note, **{name: datetime.fromisoformat(note[name]) if note.get(name) else None for name in moments}}


def write_note(path: Path, fields: Mapping[str, Any]) -> None:
    """Raises OSError."""
    write_atomically(path, json.dumps(dict(fields), indent=1, default=datetime.isoformat).encode())
