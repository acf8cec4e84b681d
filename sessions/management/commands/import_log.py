"""Import a log that a worker of the server has claimed; the server starts this."""

from __future__ import annotations

import contextlib
import os
import sys
import uuid
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from buildlog.hosting.backups.in_use import NotNow, shared_lock
from sessions.logs import import_jobs
from sessions.logs.models import LogImport


class Command(BaseCommand):
    help = "Import a log that waits for it. The server runs this by itself."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("claim", type=uuid.UUID, help="the claim under which it is imported")

    def handle(self, *, claim: uuid.UUID, **options: Any) -> None:
        with contextlib.suppress(OSError):
            # Pages come first.
            os.nice(5)
        try:
            with shared_lock(settings.DATA):
                job = LogImport.objects.filter(claim=claim).first()
                if job is not None:
                    import_jobs.do(job)
        except NotNow as error:
            raise CommandError(str(error)) from None
        except MemoryError:
            sys.exit("The import of a log ran out of memory.")
