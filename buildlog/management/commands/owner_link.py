from django.core.management.base import BaseCommand

from buildlog.models import Invitation
from buildlog.roles import Role


class Command(BaseCommand):
    help = "Print a one-time link that makes an owner's account; for the first start, or one more owner."

    def add_arguments(self, parser):
        parser.add_argument("--address", default="http://127.0.0.1:8000", help="where people open the site")

    def handle(self, *, address, **options):
        self.stdout.write(f"{address.rstrip('/')}/invitation/{Invitation.issue(Role.OWNER)}/")
