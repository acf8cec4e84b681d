from django.apps import AppConfig


class SessionsConfig(AppConfig):
    name = "sessions"
    # django.contrib.sessions owns the label "sessions".
    label = "test_sessions"
    verbose_name = "Test sessions"
