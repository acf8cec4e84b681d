"""What to tell the owner of the database and its backups: here, of their copies outside, and of trial restores."""

from __future__ import annotations

from datetime import UTC, datetime

from django.conf import settings

from buildlog.hosting.backups import database_check, drill, offsite, status


def warnings_here(now: datetime | None = None) -> list[str]:
    """Sentences for the owner, the most urgent first; none while all is well."""
    moment, data, hours = now or datetime.now(UTC), settings.DATA, settings.BACKUP_HOURS
    sentences = [
        database_check.warning(data),
        status.warning(status.read(data), hours, moment),
        offsite.warning(data, hours, moment),
        drill.warning(data, moment),
    ]
    return [sentence for sentence in sentences if sentence]
