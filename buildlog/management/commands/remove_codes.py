"""Let somebody sign in by the password alone again, after a phone and its recovery codes were lost."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from buildlog.people import second_factor, sign_in_life
from buildlog.people.access_log import note
from buildlog.people.models import AccessEvent, Account


class Command(BaseCommand):
    help = "Take somebody's one-time codes away, and end their sign-ins; for a lost phone."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", help="the name the account signs in with")

    def handle(self, *, name: str, **options: Any) -> None:
        account = Account.objects.filter(username=name).first()
        if account is None:
            raise CommandError(f"Nobody here is called {name!r}.")
        if not second_factor.is_set_up(account):
            raise CommandError(f"{name} signs in without codes already.")
        second_factor.remove(account)
        sign_in_life.end_all(account)
        note(AccessEvent.Kind.FACTOR_OFF, None, account, detail="on the machine itself")
        self.stdout.write(f"{name} signs in by the password alone now, and can set codes up anew.")
