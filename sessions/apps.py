from django.apps import AppConfig


class SessionsConfig(AppConfig):
    name = "sessions"
    # django.contrib.sessions owns the label "sessions".
    label = "test_sessions"
    verbose_name = "Test sessions"

    def ready(self) -> None:
        from django.db.models.signals import post_delete

        from sessions.logs.columns import remove_files
        from sessions.models import Log

        # A signal, because logs also go when their session is removed.
        def log_removed(sender, instance, **_):
            remove_files(instance)

        post_delete.connect(log_removed, sender=Log, weak=False, dispatch_uid="log_files")
