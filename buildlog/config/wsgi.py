"""The WSGI application that a server runs."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "buildlog.config.settings")
application = get_wsgi_application()
