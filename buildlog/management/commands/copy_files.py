"""Carry photos and logs over between a folder and the store in use, each proven by its hash."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.files.storage import default_storage
from django.core.management.base import BaseCommand, CommandError, CommandParser

from buildlog.hosting.file_copy import CannotCopyFile, copy_files
from buildlog.storage.durable_files import DurableStorage


class Command(BaseCommand):
    help = "Copy the files that records name from a folder into the store in use (--from) or out of it (--to)."

    def add_arguments(self, parser: CommandParser) -> None:
        way = parser.add_mutually_exclusive_group(required=True)
        way.add_argument("--from", dest="source", metavar="FOLDER", help="for example .data/media")
        way.add_argument("--to", dest="target", metavar="FOLDER")

    def handle(self, *, source: str | None, target: str | None, **options: Any) -> None:
        if source and not Path(source).is_dir():
            raise CommandError(f"There is no folder {source}. For example --from .data/media")
        folder = DurableStorage(location=Path(source or target or "").resolve())
        try:
            report = copy_files(folder, default_storage) if source else copy_files(default_storage, folder)
        except CannotCopyFile as error:
            raise CommandError(str(error)) from None
        self.stdout.write(
            f"{report.copied} files copied, {report.was_there} were there already; all {report.size_bytes} bytes "
            "read back the same. Nothing was removed."
        )
        if report.missing:
            raise CommandError(
                f"{len(report.missing)} files that records name were not found, the first being {report.missing[0]}."
            )
