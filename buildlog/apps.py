from django.apps import AppConfig
from django.contrib.auth.signals import user_logged_in
from django.contrib.staticfiles.apps import StaticFilesConfig


class BuildlogConfig(AppConfig):
    name = "buildlog"
    verbose_name = "Build log"

    def ready(self) -> None:
        from buildlog.hosting import checks  # noqa: F401  (importing the checks registers them)
        from buildlog.people import sign_in_life
        from buildlog.photos.models import Photo
        from buildlog.records import history
        from buildlog.storage.stored_files import remove_files_with

        remove_files_with(Photo)
        history.register_all(self)
        user_logged_in.connect(sign_in_life.begin, dispatch_uid="session_life.begin")
        # Connected under the framework's own id before the framework does it, so this receiver replaces that one.
        user_logged_in.connect(sign_in_life.record_last_sign_in, dispatch_uid="update_last_login")


class LeanStaticFilesConfig(StaticFilesConfig):
    """Serves only the drawing script of plotly's package data; the rest would add 40 MB."""

    ignore_patterns = [*StaticFilesConfig.ignore_patterns, "widgetbundle.js", "datasets", "templates", "*.json.gz"]
