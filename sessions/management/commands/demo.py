from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from sessions.demo import loading


class Command(BaseCommand):
    help = "Load the invented demo season, or remove it and nothing else."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("action", choices=["load", "remove"])

    def handle(self, *, action: str, **options: Any) -> None:
        if action == "load":
            said = "Loaded the invented season." if loading.load() else "The invented season is loaded already."
        else:
            try:
                said = "Removed the invented season." if loading.remove() else "There is no demo to remove."
            except loading.DemoInUse as error:
                raise CommandError(str(error)) from None
        self.stdout.write(said)
