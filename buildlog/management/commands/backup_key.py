"""Make the pair of keys with which backups are encrypted."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

from buildlog.hosting.backups import encryption
from buildlog.hosting.environment import FILE


class Command(BaseCommand):
    help = "Make a key for encrypted backups. The secret one is shown once, and kept nowhere."
    requires_system_checks = ()

    def handle(self, **options: Any) -> None:
        secret, public = encryption.new_key()
        self.stdout.write(
            "The secret key opens the backups. Write it on paper, or keep it where you keep passwords, in another "
            "house than this machine. It is shown once and stored nowhere:\n\n"
            f"  {secret}\n\n"
            "If it is lost, nobody can read the backups made with it once this machine is gone; there is no other way "
            "in.\n\n"
            f"Then put this line into {settings.DATA / FILE}, and start the server again:\n\n"
            f"  BUILDLOG_BACKUP_PUBLIC_KEY={public}\n\n"
            "Backups made before stay readable to anybody who has them."
        )
        if settings.BACKUP_PUBLIC_KEY:
            self.stdout.write("A key is set already. The old one still opens the backups made with it: keep both.")
