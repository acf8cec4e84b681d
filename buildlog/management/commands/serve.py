"""Start the product: database, static files, owner's link, and a production server."""

from __future__ import annotations

import os
import socket
import sys
from typing import Any

from django.apps import apps
from django.conf import settings
from django.core.checks import ERROR, run_checks
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError, connection, connections

from buildlog.hosting import checks, static_files
from buildlog.hosting.backups import asked_restore, schedule
from buildlog.hosting.backups.in_use import NotNow, begin_to_serve
from buildlog.hosting.sqlite_fair_lock.base import keep_open
from buildlog.hosting.update import UpdateRefused, up_to_date
from buildlog.hosting.web_server import Server
from buildlog.people.absolute_urls import absolute_url
from buildlog.people.models import AccessEvent, Account, Invitation
from buildlog.people.roles import Role
from buildlog.storage import full_disk


class Command(BaseCommand):
    help = "Bring the database up to date and serve the site."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on; 0.0.0.0 for the network")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--workers", type=int, default=2)
        parser.add_argument("--demo", action="store_true", help="load the invented demo season")

    def handle(self, *, host: str, port: int, workers: int, demo: bool, **options: Any) -> None:
        if not 1 <= port <= 65535:
            raise CommandError(f"--port must be from 1 to 65535, got {port}. For example --port 8000")
        if not 1 <= workers <= 64:
            raise CommandError(f"--workers must be from 1 to 64, got {workers}. For example --workers 2")
        self._check_free(host, port)
        settings.LISTENS_ON = host
        messages = run_checks(tags=[checks.TAG])
        if wrong := [message for message in messages if message.is_serious(ERROR)]:
            raise CommandError("\n".join(f"{message.id}: {message.msg} {message.hint or ''}" for message in wrong))
        addresses = self._addresses(host)
        base = str(settings.BASE_URL)
        try:
            self._prepare(demo, base or f"http://{addresses[0]}:{port}")
        except (NotNow, UpdateRefused, static_files.NoRoom) as error:
            raise CommandError(str(error)) from None
        except (OSError, DatabaseError) as error:
            if not full_disk.is_full(error):
                raise
            raise CommandError(f"{full_disk.sentence(settings.DATA)} Make room, then start again.") from None
        if base:
            self.stdout.write(f"Serving {base}/ for a proxy that asks {host}:{port}")
        else:
            for address in addresses:
                self.stdout.write(f"Serving on http://{address}:{port}/")
        if addresses[0] not in ("127.0.0.1", "localhost"):
            settings.ALLOWED_HOSTS = [*settings.ALLOWED_HOSTS, *addresses]
            self.stdout.write("Anybody on this network can reach the sign-in page, and nothing is encrypted.")
        for message in messages:
            self.stdout.write(f"{message.id}: {message.msg} {message.hint or ''}")
        self.stdout.flush()
        # A connection opened here must not be shared with the workers that are forked next.
        connections.close_all()
        settings.SERVER_PID = os.getpid()
        try:
            Server(host, port, workers, _application, settings.DATA / "arriving").run()
        except SystemExit as ending:
            if ending.code or os.getpid() != settings.SERVER_PID or not asked_restore.is_asked(settings.DATA):
                raise
            # As a new process: what this one knows of the database and the settings is that of before.
            os.execv(sys.executable, [sys.executable, *sys.argv])

    def _prepare(self, demo: bool, base: str) -> None:
        """Bring everything to where it can be served from."""
        if full_disk.release_reserved_space(settings.DATA):
            self._say(
                f"The disk of {settings.DATA} is full. What little room was kept for a start is in use now: make more, "
                "or nothing can be stored."
            )
        restored = asked_restore.carry_out(settings.DATA)
        if restored is not None:
            self._say(restored.sentence)
        with up_to_date(self._say):
            begin_to_serve(settings.DATA)
        if restored is not None and restored.is_restored:
            AccessEvent.objects.create(kind=AccessEvent.Kind.BACKUP_RESTORED, detail=restored.sentence[:200])
        settings.STATIC_ROOT = static_files.collect_once(settings.DATA, self._say)
        if connection.vendor == "sqlite":
            full_disk.reserve_disk_space(settings.DATA)
        if demo and apps.is_installed("sessions"):
            call_command("demo", "load", stdout=self.stdout)
        if not Account.objects.exists():
            link = absolute_url("invitation", Invitation.issue(Role.OWNER), base=base)
            self._say(f"\nNo account yet. Open this link once to make the owner's:\n  {link}\n")

    def _say(self, words: str) -> None:
        """At once, also where the output goes into a file."""
        self.stdout.write(words)
        self.stdout.flush()

    def _check_free(self, host: str, port: int) -> None:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with socket.socket(family) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except socket.gaierror:
                raise CommandError(f"--host {host} is not an address of this machine. For example 127.0.0.1") from None
            except OSError as error:
                raise CommandError(
                    f"Cannot listen on {host}:{port} ({error.strerror}). Choose another, for example --port {port + 1}"
                ) from None

    def _addresses(self, host: str) -> list[str]:
        """The addresses under which people reach what listens on this host, the most useful first."""
        if host not in ("0.0.0.0", "::"):
            return [host]
        addresses = []
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                # Nothing is sent: connecting a datagram socket only asks which address would be used.
                probe.connect(("192.0.2.1", 9))
                addresses.append(probe.getsockname()[0])
            except OSError:
                pass
        return [*addresses, "127.0.0.1"]


def _application() -> Any:
    from buildlog.config.wsgi import application

    if connection.vendor == "sqlite":
        keep_open(connection.settings_dict["NAME"])
    schedule.start(settings.DATA, settings.BACKUP_HOURS)
    return application
