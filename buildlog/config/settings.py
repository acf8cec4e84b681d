"""The site's settings. What differs between installations comes from `environment`."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlsplit

import plotly
from csp.constants import NONE, SELF

from buildlog import request_log
from buildlog.config import environment

PROJECT = environment.PROJECT
DATA = environment.data_folder()
SECRET_KEY = environment.secret_key(DATA)
DEBUG = environment.flag("BUILDLOG_DEBUG", False)

BASE_URL = environment.base_url("BUILDLOG_BASE_URL")
ALLOWED_HOSTS = ["localhost", "127.0.0.1", "[::1]", *environment.host_list("BUILDLOG_HOSTS")]
CSRF_TRUSTED_ORIGINS: list[str] = []
if BASE_URL:
    _parts = urlsplit(BASE_URL)
    ALLOWED_HOSTS.append(_parts.hostname or "")
    CSRF_TRUSTED_ORIGINS.append(f"{_parts.scheme}://{_parts.netloc}")
    if _parts.scheme == "https":
        SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = True
        SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

INSTALLED_APPS = [
    "buildlog.apps.BuildlogConfig",
    "sessions.apps.SessionsConfig",
    "buildlog.apps.BackRoomConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "buildlog.apps.LeanStaticFilesConfig",
    "rest_framework",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "django.forms",
    "csp",
]
MIDDLEWARE = [
    "buildlog.request_log.RequestLog",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "buildlog.request_size.RequestSize",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "buildlog.session_life.SessionLife",
    "buildlog.acting.ActingAccount",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
]
ROOT_URLCONF = "buildlog.config.urls"
WSGI_APPLICATION = "buildlog.config.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [PROJECT / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "buildlog.roles.in_templates",
            ],
        },
    }
]
FORM_RENDERER = "django.forms.renderers.TemplatesSetting"

DATABASES = {
    "default": {
        "ENGINE": "buildlog.sqlite_in_turn",
        "NAME": DATA / "buildlog.sqlite3",
        "CONN_MAX_AGE": 600,
        # IMMEDIATE: a writer waits for its turn instead of failing half way. FULL: with WAL, an
        # acknowledged commit otherwise may not survive a power cut.
        "OPTIONS": {
            "timeout": 20,
            "transaction_mode": "IMMEDIATE",
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;",
        },
    }
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "buildlog.Account"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "buildlog.password_rules.NotTheFirstGuess"},
]
# Whoever asked for a link is waiting for it.
PASSWORD_RESET_TIMEOUT = 24 * 3600
LOGIN_URL = "sign_in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "sign_in"

# Without a visit; `session_life` says how long a sign-in lasts at most, and why.
SESSION_COOKIE_AGE = 30 * 24 * 3600

LANGUAGE_CODE = "en"
TIME_ZONE = environment.time_zone("BUILDLOG_TIME_ZONE")
USE_I18N = False
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = DATA / "static"
STATICFILES_DIRS = [
    PROJECT / "static",
    ("plotly", str(Path(plotly.__file__).parent / "package_data")),
]
STORAGES = {
    "default": {"BACKEND": "buildlog.durable_files.DurableStorage"},
    "staticfiles": {"BACKEND": "buildlog.static_files.ModuleStorage"},
}
WHITENOISE_KEEP_ONLY_HASHED_FILES = True
MEDIA_ROOT = DATA / "media"
BACKUP_DIR = environment.folder("BUILDLOG_BACKUP_DIR", DATA / "backups")
BACKUP_HOURS = environment.hours("BUILDLOG_BACKUP_HOURS", 24)
# A log or a photo of a phone is larger than Django's default; the form states its own, smaller limit.
DATA_UPLOAD_MAX_MEMORY_SIZE = 20 * 1024 * 1024

LOGGING = request_log.logging_settings(environment.choice("BUILDLOG_LOG", ("plain", "json")))

SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:", "blob:"],
        "media-src": [SELF, "blob:"],
        "connect-src": [SELF],
        "object-src": [NONE],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["rest_framework.authentication.SessionAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["buildlog.roles.ByRole"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser", "rest_framework.parsers.MultiPartParser"],
    "UNAUTHENTICATED_USER": "django.contrib.auth.models.AnonymousUser",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Firnlog",
    "DESCRIPTION": "Build log and test sessions of one-off electric ride-on machines.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "ENUM_NAME_OVERRIDES": {
        "RevisionStatus": "buildlog.models.Revision.Status",
        "FailureState": "buildlog.models.Failure.State",
        "GoNoGoAnswer": "sessions.models.GoNoGoCheck.Answer",
    },
}
