from django.apps import AppConfig
from django.contrib.admin.apps import AdminConfig
from django.contrib.auth.signals import user_logged_in
from django.contrib.staticfiles.apps import StaticFilesConfig


class BuildlogConfig(AppConfig):
    name = "buildlog"
    verbose_name = "Build log"

    def ready(self) -> None:
        from buildlog.failures import loop as failure_loop
        from buildlog.people import sign_in_life
        from buildlog.photos.models import Photo
        from buildlog.storage.stored_files import files_go_with

        failure_loop.connect()
        files_go_with(Photo)
        user_logged_in.connect(sign_in_life.begin, dispatch_uid="session_life.begin")
        # Under the framework's own name, and before it: so this one is called in the place of its own.
        user_logged_in.connect(sign_in_life.note_last_sign_in, dispatch_uid="update_last_login")


class BackRoomConfig(AdminConfig):
    default_site = "buildlog.hosting.admin_site.OwnerAdminSite"

    def ready(self) -> None:
        from django.contrib.admin import site
        from django.contrib.auth.models import Group

        super().ready()
        # What somebody may do is their role, and nothing beside it.
        site.unregister(Group)


class LeanStaticFilesConfig(StaticFilesConfig):
    """Of plotly's package data only the drawing script is served; the rest would be 40 MB more."""

    ignore_patterns = [*StaticFilesConfig.ignore_patterns, "widgetbundle.js", "datasets", "templates", "*.json.gz"]
