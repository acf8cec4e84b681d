"""The WSGI application that a server runs."""

import os

from django.conf import settings
from django.core.wsgi import get_wsgi_application

from buildlog.backups.restoring import begin_to_serve

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "buildlog.config.settings")
application = get_wsgi_application()

# However the site is served, its data may not be swapped meanwhile.
begin_to_serve(settings.DATA)
