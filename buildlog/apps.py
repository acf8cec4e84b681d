from django.apps import AppConfig
from django.contrib.staticfiles.apps import StaticFilesConfig


class BuildlogConfig(AppConfig):
    name = "buildlog"
    verbose_name = "Build log"

    def ready(self) -> None:
        from django.db.models.signals import post_delete

        from buildlog.models import Photo
        from buildlog.pictures import remove_files

        # A signal, because photos also go when what they show is removed.
        def photo_removed(sender, instance, **_):
            remove_files(instance)

        from buildlog import failure_loop

        failure_loop.connect()
        post_delete.connect(photo_removed, sender=Photo, weak=False, dispatch_uid="photo_files")


class LeanStaticFilesConfig(StaticFilesConfig):
    """Of plotly's package data only the drawing script is served; the rest would be 40 MB more."""

    ignore_patterns = [*StaticFilesConfig.ignore_patterns, "widgetbundle.js", "datasets", "templates", "*.json.gz"]
