from django.apps import AppConfig
from django.contrib.staticfiles.apps import StaticFilesConfig


class BuildlogConfig(AppConfig):
    name = "buildlog"
    verbose_name = "Build log"

    def ready(self) -> None:
        from buildlog import failure_loop
        from buildlog.models import Photo
        from buildlog.stored_files import files_go_with

        failure_loop.connect()
        files_go_with(Photo)


class LeanStaticFilesConfig(StaticFilesConfig):
    """Of plotly's package data only the drawing script is served; the rest would be 40 MB more."""

    ignore_patterns = [*StaticFilesConfig.ignore_patterns, "widgetbundle.js", "datasets", "templates", "*.json.gz"]
