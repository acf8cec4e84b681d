"""Put a backup in the place of this installation's data."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.files.storage import default_storage
from django.core.management.base import BaseCommand, CommandError, CommandParser

from buildlog.hosting.backups import restoring, rot
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
        parser.add_argument("--finish", action="store_true", help="finish a restore that was cut off")

    def handle(self, *, file: str | None, upload: str | None, check: bool, finish: bool, **options: Any) -> None:
        if bool(file) == finish:
            raise CommandError("Name the backup to restore, or say --finish after a restore that was cut off.")
        try:
            if not file:
                outcome = "Finished" if restoring.finish(settings.DATA) else "There is no restore to finish"
                self.stdout.write(f"{outcome}.")
                return
            path = Path(file).expanduser().absolute()
            if upload:
                rot.restore_file(path, upload, default_storage)
                self.stdout.write(f"Restored {upload}. Nothing else was changed.")
                return
            if check:
                self._describe(restoring.check(path))
                self.stdout.write("The backup is whole.")
                return
            done = restoring.restore(path, settings.DATA)
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

    def _describe(self, manifest: Manifest) -> None:
        self.stdout.write(
            f"Made {manifest.made_at} by version {manifest.version}: {manifest.record_count} records, "
            f"{manifest.file_count} files."
        )
        for name, value in manifest.environment.items():
            self.stdout.write(f"  It was made with {name}={value}")
