"""Copy backups to a place outside, look what is there, and fetch one."""

from __future__ import annotations

import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from buildlog.hosting.backups import offsite, retention
from buildlog.hosting.backups.offsite_places import KNOWN_HOSTS, SSH_KEY, CannotReach, place_of


class Command(BaseCommand):
    help = "Copy the newest backup to the place that BUILDLOG_OFFSITE names, and remove old ones there."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--if-due", action="store_true", help="do nothing while the newest backup is there")
        parser.add_argument("--check", action="store_true", help="only try: write, read and remove a small file there")
        parser.add_argument("--list", action="store_true", help="list the backups there")
        parser.add_argument("--fetch", metavar="NAME", help="fetch a backup from there into the folder of backups")

    def handle(self, *, if_due: bool, check: bool, fetch: str | None, **options: Any) -> None:
        if not settings.OFFSITE:
            raise CommandError("No place outside is set. For example BUILDLOG_OFFSITE=s3://firnlog-backups/sled")
        if if_due and not offsite.is_due(settings.DATA, datetime.now(UTC)):
            self.stdout.write("Nothing is to be sent.")
            return
        try:
            if check:
                self._check()
            elif options["list"]:
                for backup in retention.backups_named(place_of(settings.OFFSITE).sizes_bytes(), Path()):
                    whose = "" if backup.is_own else "  of another log"
                    self.stdout.write(f"{backup.path.name}  {backup.size_bytes / 1e6:.1f} MB{whose}")
            elif fetch:
                self._fetch(fetch)
            else:
                name, removed = offsite.send(settings.DATA)
                self.stdout.write(f"{name} is in {settings.OFFSITE.address}. Old ones removed there: {len(removed)}.")
        except CannotReach as error:
            raise CommandError(f"Nothing was done in {settings.OFFSITE.address}: {error}") from None

    def _check(self) -> None:
        place = offsite.set_place()
        is_ssh = place.address.kind == "sftp"
        if is_ssh:
            self._make_key()
        offsite.try_place(place_of(place, trust_new_host=True), settings.DATA)
        self.stdout.write(f"A file was written to {place.address}, read back and removed.")
        if is_ssh and (settings.DATA / KNOWN_HOSTS).exists():
            self.stdout.write("Compare the host's key with what its administrator says:")
            self.stdout.write(_output_of("ssh-keygen", "-lf", str(settings.DATA / KNOWN_HOSTS)))

    def _make_key(self) -> None:
        key = settings.DATA / SSH_KEY
        if key.exists() or shutil.which("ssh-keygen") is None:
            return
        _output_of("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "firnlog backups", "-f", str(key))
        self.stdout.write(
            "A key was made for this log. Put this line into authorized_keys of the account there:\n\n"
            f'restrict,command="internal-sftp" {key.with_name(f"{SSH_KEY}.pub").read_text().strip()}\n'
        )
        self.stdout.flush()

    def _fetch(self, name: str) -> None:
        if name not in {backup.path.name for backup in retention.backups_named({name: 0}, Path())}:
            raise CommandError(f"{name} is not the name of a backup. manage.py offsite --list shows what is there.")
        folder: Path = settings.BACKUP_DIR
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        target, part = folder / name, folder / f".{name}.part"
        if target.exists():
            raise CommandError(f"{target} is there already.")
        try:
            part.touch(mode=0o600)
            place_of(offsite.set_place()).fetch(name, part)
            part.rename(target)
        finally:
            part.unlink(missing_ok=True)
        self.stdout.write(f"Fetched: {target}\nTo restore it, stop the server, then: manage.py restore {target}")


def _output_of(*command: str) -> str:
    try:
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
    except (OSError, subprocess.CalledProcessError) as error:
        raise CommandError(f"{command[0]} failed: {error}") from None
