"""The WSGI application that a server runs."""

from __future__ import annotations

import os

from django.core.wsgi import get_wsgi_application

from buildlog.config.sub_path import UnderSubPath

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "buildlog.config.settings")


def _application() -> UnderSubPath:
    framework = get_wsgi_application()
    from django.apps import apps
    from django.conf import settings

    from buildlog.hosting.backups.in_use import begin_to_serve

    # However the site is served, its data may not be swapped meanwhile, and what it was asked to import is imported.
    begin_to_serve(settings.DATA)
    if apps.is_installed("sessions"):
        from sessions.logs import import_jobs

        import_jobs.start()
    return UnderSubPath(framework, settings.BASE_URL.path)


application = _application()
