"""Backups that only their owner can read, in the age format (age-encryption.org/v1), by pyrage.

They are encrypted to the owner's public key, which stands in the settings; the secret key is on paper, and no machine
has it. A passphrase would have to stand in the settings in clear, because the server makes backups by itself.

So that this installation can try its backups and go back before an update, each is encrypted to a key of its own too.
That key is beside the data it protects, and in no backup: who has it has the data anyway.
"""

from __future__ import annotations

import contextlib
import json
import secrets
from collections.abc import Iterator
from pathlib import Path

import pyrage
from pyrage import x25519

from buildlog.hosting.backups import package
from buildlog.hosting.backups.package import Manifest, NotABackup, Part
from buildlog.storage.durable_files import new_file, read_or_create, replacing, write_atomically

SUFFIX = ".age"
FIRST_BYTES = b"age-encryption.org/v1\n"
OWN_KEY = ".backup_key"
LAST_PARTS = ".last_backup_parts.json"
"""The list of the last encrypted backup's parts, so that the next can be compared with it without opening it."""


class NeedsKey(NotABackup):
    """The backup is encrypted, and this installation's own key does not open it."""

    def __init__(self, sentence: str = "") -> None:
        super().__init__(
            sentence
            or "The backup is encrypted. Give the secret key that was shown when encryption was set up; it begins with "
            "AGE-SECRET-KEY-1."
        )


def new_key() -> tuple[str, str]:
    """A new secret key, which the program keeps nowhere, and its public key."""
    identity = x25519.Identity.generate()
    return str(identity), str(identity.to_public())


def is_encrypted(file: Path) -> bool:
    try:
        with file.open("rb") as content:
            return content.read(len(FIRST_BYTES)) == FIRST_BYTES
    except OSError:
        return False


def encrypt(plain: Path, target: Path, owner_key: str, data: Path) -> None:
    """Write `plain` encrypted at `target`, which gets that name once it is whole and on the disk."""
    recipients = [x25519.Recipient.from_str(owner_key), _own_identity(data).to_public()]
    with plain.open("rb") as content, replacing(target) as into:
        pyrage.encrypt_io(content, into, recipients)


@contextlib.contextmanager
def readable(file: Path, data: Path, secret_key: str = "") -> Iterator[Path]:
    """A backup as a plain zip: the file itself, or, where it is encrypted, a copy that is gone afterwards.

    Raises NeedsKey where neither `secret_key` nor this installation's own key opens it, NotABackup where it is damaged.
    """
    if not is_encrypted(file):
        yield file
        return
    plain = data / f".decrypted-{secrets.token_hex(4)}.zip"
    try:
        decrypt(file, plain, data, secret_key)
        yield plain
    finally:
        plain.unlink(missing_ok=True)


def opens_here(file: Path, data: Path) -> bool:
    """Whether this installation's own key opens an encrypted backup; only its header is read."""
    if not (data / OWN_KEY).exists():
        return False
    try:
        with file.open("rb") as content:
            pyrage.decrypt_io(content, _FirstBlock(), [_own_identity(data)])
    except _FirstBlockWritten:
        return True
    except (pyrage.DecryptError, OSError):
        return False
    return True


class _FirstBlockWritten(Exception):
    pass


class _FirstBlock:
    def write(self, block: bytes) -> int:
        raise _FirstBlockWritten

    def flush(self) -> None: ...


def decrypt(file: Path, plain: Path, data: Path, secret_key: str = "") -> None:
    """Raises NeedsKey or NotABackup as `readable` does; nothing is left of what could not be read to its end."""
    identities = [_identity(secret_key)] if secret_key.strip() else []
    if (data / OWN_KEY).exists():
        identities.append(_own_identity(data))
    if not identities:
        raise NeedsKey
    try:
        with file.open("rb") as content, new_file(plain) as into:
            pyrage.decrypt_io(content, into, identities)
    except pyrage.DecryptError as error:
        plain.unlink(missing_ok=True)
        if "no matching keys" not in str(error).lower():
            raise _damaged() from None
        if not secret_key.strip():
            raise NeedsKey from None
        raise NeedsKey(
            "This key does not open the backup; another does. Without the right one nobody can read it. Where the log "
            "that made it still runs, it can be restored there without a key."
        ) from None
    except OSError as error:
        plain.unlink(missing_ok=True)
        # The library reports damage it meets on the way as trouble of reading.
        if error.errno is None:
            raise _damaged() from None
        raise


def _damaged() -> NotABackup:
    return NotABackup(
        "The backup is damaged: it is not what was written when it was made. Copy it again, or take another."
    )


def _identity(secret_key: str) -> x25519.Identity:
    try:
        return x25519.Identity.from_str("".join(secret_key.split()).upper())
    except pyrage.IdentityError:
        raise NeedsKey(
            "This is not a secret key: look for a slip. It has 74 characters and begins with AGE-SECRET-KEY-1."
        ) from None


def _own_identity(data: Path) -> x25519.Identity:
    text = read_or_create(data / OWN_KEY, lambda: str(x25519.Identity.generate()))
    try:
        return x25519.Identity.from_str(text)
    except pyrage.IdentityError:
        raise OSError(f"{data / OWN_KEY} is damaged. Remove it: the next backup makes a new one") from None


def keep_parts(data: Path, file: Path, manifest: Manifest) -> None:
    listing = {"file": str(file), "parts": [part.__dict__ for part in manifest.parts]}
    write_atomically(data / LAST_PARTS, json.dumps(listing).encode())


def parts_of(file: Path, data: Path) -> tuple[Part, ...]:
    """The parts of an earlier backup, read quickly; none where they cannot be known."""
    if not is_encrypted(file):
        manifest = package.listed(file)
        return manifest.parts if manifest is not None else ()
    try:
        listing = json.loads((data / LAST_PARTS).read_text())
        return tuple(Part(**part) for part in listing["parts"]) if listing["file"] == str(file) else ()
    except (OSError, ValueError, TypeError, KeyError):
        return ()


def listed(file: Path, data: Path) -> Manifest | None:
    """The manifest of a backup that this installation can open; neither seal nor parts are checked."""
    try:
        with readable(file, data) as plain:
            return package.listed(plain)
    except (NotABackup, OSError):
        return None
