from django.conf import settings
from django.core.management.base import BaseCommand

from buildlog.addresses import whole_address
from buildlog.models import Invitation
from buildlog.roles import Role


class Command(BaseCommand):
    help = "Print a one-time link that makes an owner's account; for the first start, or one more owner."

    def add_arguments(self, parser):
        parser.add_argument("--address", help="where people open the site, when it is not the base URL")

    def handle(self, *, address, **options):
        base = address or str(settings.BASE_URL) or "http://127.0.0.1:8000"
        self.stdout.write(whole_address("invitation", Invitation.issue(Role.OWNER), base=base))
