from django.core.management.base import BaseCommand

from buildlog.people.absolute_urls import base_for_a_command, whole_address
from buildlog.people.models import Invitation
from buildlog.people.roles import Role


class Command(BaseCommand):
    help = "Print a one-time link that makes an owner's account; for the first start, or one more owner."

    def add_arguments(self, parser):
        parser.add_argument("--address", help="where people open the site, when it is not the base URL")

    def handle(self, *, address, **options):
        base = base_for_a_command(address)
        self.stdout.write(whole_address("invitation", Invitation.issue(Role.OWNER), base=base))
