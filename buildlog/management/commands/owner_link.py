from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from buildlog.people.absolute_urls import base_for_a_command, whole_address
from buildlog.people.models import Invitation
from buildlog.people.roles import Role


class Command(BaseCommand):
    help = "Print a one-time link that makes an owner's account; for the first start, or one more owner."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--address", help="where people open the site, when it is not the base URL")

    def handle(self, *, address: str | None, **options: Any) -> None:
        base = base_for_a_command(address)
        self.stdout.write(whole_address("invitation", Invitation.issue(Role.OWNER), base=base))
