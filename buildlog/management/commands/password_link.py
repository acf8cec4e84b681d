from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from buildlog.people.absolute_urls import base_url_for_command
from buildlog.people.access_log import note
from buildlog.people.models import AccessEvent, Account
from buildlog.people.password_links import link_for
from buildlog.people.roles import Role


class Command(BaseCommand):
    help = (
        "Print a one-time link by which somebody sets a new password; for a lost password, or after too many wrong "
        "tries. Their sign-ins end when it is used. An owner whose account was shut can come in again by it."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", help="the name the account signs in with")
        parser.add_argument("--address", help="where people open the site, when it is not the base URL")

    def handle(self, *, name: str, address: str | None, **options: Any) -> None:
        account = Account.objects.filter(username=name).first()
        if account is None:
            names = ", ".join(Account.objects.order_by("username").values_list("username", flat=True)[:20])
            raise CommandError(f"Nobody here is called {name!r}. There are: {names or 'no accounts yet'}.")
        if not account.is_active:
            if account.role != Role.OWNER:
                raise CommandError(f"The account {name!r} is shut. An owner opens it again under Settings, People.")
            account.is_active = True
            account.save(update_fields=["is_active"])
            note(AccessEvent.Kind.OPENED, None, account, detail="on the machine itself")
        note(AccessEvent.Kind.PASSWORD_LINK, None, account, detail="on the machine itself")
        self.stdout.write(link_for(account, base=base_url_for_command(address)))
