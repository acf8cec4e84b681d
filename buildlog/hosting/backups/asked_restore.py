"""A restore that was asked for in the browser: carried out by `serve` when it starts again.

Nothing may be restored under a server that serves. So the page checks the backup whole, writes down what to restore,
and ends the server's processes in order; `serve` then begins anew, and its start carries it out before anything is
served. What goes wrong is written down for the owner's page, and the data stay as they were.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import shutil
import signal
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from django.conf import settings

from buildlog.hosting.backups import encryption, in_use, restoring, server
from buildlog.hosting.backups.package import Manifest, NotABackup
from buildlog.hosting.backups.swap import RestoredByHalf, RestoreFailed
from buildlog.storage.durable_files import new_file, write_atomically

ASKED = ".restore-asked.json"
OUTCOME = ".restore-outcome.json"
FILE = ".restore-asked-"
OUTCOME_SHOWN_FOR = timedelta(days=7)


@dataclass(frozen=True)
class Outcome:
    at: datetime
    is_restored: bool
    sentence: str


def is_possible() -> bool:
    """Whether this process belongs to `serve`, which can start again, and the records are in the data folder."""
    return settings.SERVER_PID is not None and not server.holds_the_records()


def ask(content: Path | Iterable[bytes], name: str, secret_key: str, data: Path) -> Manifest:
    """Check a backup whole, and write down that it is to be restored at the next start.

    `content` is its file, or the blocks of an upload. Raises NotABackup, NeedsKey or RestoreFailed with a sentence.
    """
    plain = data / f"{FILE}{secrets.token_hex(4)}.zip"
    sealed = plain.with_suffix(".arriving")
    try:
        file = content if isinstance(content, Path) else sealed
        if not isinstance(content, Path):
            _write(content, sealed)
        if encryption.is_encrypted(file):
            encryption.decrypt(file, plain, data, secret_key)
        else:
            _link_or_copy(file, plain)
        manifest = restoring.check(plain)
        restoring.refuse_without_room(manifest, data)
    except OSError as error:
        plain.unlink(missing_ok=True)
        raise RestoreFailed(f"{error.strerror or error}. Your data are as they were.") from None
    except BaseException:
        plain.unlink(missing_ok=True)
        raise
    finally:
        sealed.unlink(missing_ok=True)
    _clear(data, keep=plain)
    write_atomically(data / ASKED, json.dumps({"file": plain.name, "name": name}).encode())
    return manifest


def _write(blocks: Iterable[bytes], target: Path) -> None:
    with new_file(target) as file:
        for block in blocks:
            file.write(block)


def _link_or_copy(file: Path, target: Path) -> None:
    try:
        os.link(file, target)
    except OSError:
        shutil.copyfile(file, target)
        target.chmod(0o600)


def _clear(data: Path, keep: Path | None = None) -> None:
    for path in data.glob(f"{FILE}*"):
        if path != keep:
            path.unlink(missing_ok=True)


def is_asked(data: Path) -> bool:
    return (data / ASKED).exists()


def end_the_server() -> None:
    """Let the server end what it is doing; `serve` starts again where a restore was asked for."""
    if settings.SERVER_PID is not None:
        os.kill(settings.SERVER_PID, signal.SIGTERM)


def carry_out(data: Path) -> Outcome | None:
    """Restore what was asked for, at the start, before anything is served. None where nothing was."""
    if not is_asked(data):
        return None
    try:
        request = json.loads((data / ASKED).read_text())
        file, name = data / str(request["file"]), str(request["name"])
    except (OSError, ValueError, TypeError, KeyError):
        file, name = data / "none", "the backup"
    # Once only: a backup that breaks the start must not break the next one too.
    (data / ASKED).unlink(missing_ok=True)
    try:
        done = restoring.restore(file, data)
        kept = f" What was here before is kept in {done.replaced}." if done.replaced else ""
        sentence = f"{name} was restored: {done.record_count} records, {done.manifest.file_count} files.{kept}"
        outcome = Outcome(datetime.now(UTC), True, sentence)
    except (NotABackup, RestoreFailed, in_use.NotNow) as error:
        outcome = Outcome(datetime.now(UTC), False, f"{name} was not restored. {error}")
    except RestoredByHalf as error:
        outcome = Outcome(datetime.now(UTC), False, str(error))
    finally:
        _clear(data)
    note = {**asdict(outcome), "at": outcome.at.isoformat()}
    with contextlib.suppress(OSError):
        write_atomically(data / OUTCOME, json.dumps(note).encode())
    return outcome


def last_outcome(data: Path) -> Outcome | None:
    """How the last restore from the browser ended, for a week."""
    try:
        note = json.loads((data / OUTCOME).read_text())
        outcome = Outcome(datetime.fromisoformat(note["at"]), bool(note["is_restored"]), str(note["sentence"]))
    except (OSError, ValueError, TypeError, KeyError):
        return None
    return outcome if datetime.now(UTC) - outcome.at < OUTCOME_SHOWN_FOR else None
