from django.apps import AppConfig


class SessionsConfig(AppConfig):
    name = "sessions"
    # django.contrib.sessions owns the label "sessions".
    label = "test_sessions"
    verbose_name = "Test sessions"

    def ready(self) -> None:
        from buildlog.storage.stored_files import remove_files_with
        from sessions.logs.models import Log

        remove_files_with(Log)
