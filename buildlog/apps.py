from django.apps import AppConfig
from django.contrib.staticfiles.apps import StaticFilesConfig


class BuildlogConfig(AppConfig):
    name = "buildlog"
    verbose_name = "Build log"


class LeanStaticFilesConfig(StaticFilesConfig):
    """Of plotly's package data only the drawing script is served; the rest would be 40 MB more."""

    ignore_patterns = [*StaticFilesConfig.ignore_patterns, "widgetbundle.js", "datasets", "templates", "*.json.gz"]
