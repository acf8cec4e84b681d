"""Put a backup in the place of this installation's data."""

from __future__ import annotations

import getpass
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.files.storage import default_storage
from django.core.management.base import BaseCommand, CommandError, CommandParser

from buildlog.hosting.backups import drill, encryption, restoring, rot
from buildlog.hosting.backups.package import Manifest, NotABackup
from buildlog.hosting.backups.swap import RestoredByHalf, RestoreFailed
from buildlog.hosting.environment import FILE


class Command(BaseCommand):
    help = "Restore a backup. Everything is checked first; the data that were here are kept beside. Stop the server."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", nargs="?", help="the backup")
        parser.add_argument("--file", dest="upload", help="bring back only this photo or recording, as photos/….jpg")
        parser.add_argument("--check", action="store_true", help="only check the file, and change nothing")
        parser.add_argument("--key-file", help="a file with the secret key; else an encrypted backup asks for it")
        parser.add_argument(
            "--drill", action="store_true", help="only try: restore the newest backup beside, and compare"
        )
        parser.add_argument("--if-due", action="store_true", help="with --drill: only where a month has gone")
        parser.add_argument("--finish", action="store_true", help="finish a restore that was cut off")

    def handle(
        self,
        *,
        file: str | None,
        upload: str | None,
        check: bool,
        finish: bool,
        if_due: bool,
        key_file: str | None,
        **options: Any,
    ) -> None:
        if options["drill"]:
            self._drill(if_due)
            return
        if bool(file) == finish:
            raise CommandError("Name the backup to restore, or say --finish after a restore that was cut off.")
        try:
            if not file:
                outcome = "Finished" if restoring.finish(settings.DATA) else "There is no restore to finish"
                self.stdout.write(f"{outcome}.")
                return
            path = Path(file).expanduser().absolute()
            key = self._secret_key(path, key_file)
            if upload:
                with encryption.readable(path, settings.DATA, key) as plain:
                    rot.restore_file(plain, upload, default_storage)
                self.stdout.write(f"Restored {upload}. Nothing else was changed.")
                return
            if check:
                with encryption.readable(path, settings.DATA, key) as plain:
                    self._describe(restoring.check(plain))
                self.stdout.write("The backup is whole.")
                return
            done = restoring.restore(path, settings.DATA, secret_key=key)
        except RestoredByHalf as error:
            raise CommandError(str(error)) from None
        except (NotABackup, RestoreFailed) as error:
            raise CommandError(f"Nothing was restored. {error}") from None
        self._describe(done.manifest)
        for name in done.places_left:
            self.stdout.write(
                f"{name} stays as it was here: the backup's settings name another place. It stands in "
                f"{settings.DATA / FILE} as a comment; is it to be used, put it there in the place of this host's."
            )
        for problem in done.problems:
            self.stdout.write(f"Correct the settings before you start the server: {problem}")
        if done.brought_up_to_date:
            self.stdout.write("It came from an older version, and was brought up to this one.")
        replaced = (
            f" What was here before is kept in {done.replaced}; remove it once all is well." if done.replaced else ""
        )
        self.stdout.write(f"Restored.{replaced}")

    def _secret_key(self, path: Path, key_file: str | None) -> str:
        if key_file:
            try:
                lines = Path(key_file).expanduser().read_text().splitlines()
            except (OSError, UnicodeDecodeError) as error:
                raise CommandError(f"The key in {key_file} cannot be read: {error}") from None
            return next((line.strip() for line in lines if line.strip().upper().startswith("AGE-SECRET-KEY-")), "")
        if not encryption.is_encrypted(path) or encryption.opens_here(path, settings.DATA):
            return ""
        if not sys.stdin.isatty():
            raise CommandError(f"Nothing was restored. {encryption.NeedsKey()} Put it into a file: --key-file FILE")
        return getpass.getpass("The backup is encrypted. Its secret key (AGE-SECRET-KEY-1…): ")

    def _drill(self, if_due: bool) -> None:
        if if_due and not drill.is_due(settings.DATA, datetime.now(UTC)):
            self.stdout.write("No trial restore is due.")
            return
        try:
            done = drill.carry_out(settings.DATA)
        except drill.DrillFailed as error:
            raise CommandError(f"The trial restore failed. {error}") from None
        self.stdout.write(
            f"{done.file} was restored beside in {done.seconds:.1f} s: {done.record_count} records and "
            f"{done.file_count} files, all as they were. Nothing here was changed."
        )

    def _describe(self, manifest: Manifest) -> None:
        self.stdout.write(
            f"Made {manifest.made_at} by version {manifest.version}: {manifest.record_count} records, "
            f"{manifest.file_count} files."
        )
        for name, value in manifest.environment.items():
            self.stdout.write(f"  It was made with {name}={value}")
