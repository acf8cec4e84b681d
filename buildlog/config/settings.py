"""The site's settings. What differs between installations comes from `environment`."""

from __future__ import annotations

import re
from pathlib import Path

import django_stubs_ext
import plotly
from csp.constants import NONE, SELF

from buildlog.hosting import environment, request_log, setting_readers, stores

# Lets classes of the framework be written with what they hold, such as `ModelForm[Session]`, also where it runs.
django_stubs_ext.monkeypatch()

PROJECT = environment.PROJECT
DATA = environment.data_folder()
SET = environment.read(DATA)
SECRET_KEY = SET["BUILDLOG_SECRET_KEY"] or environment.secret_key(DATA)
DEBUG = SET["BUILDLOG_DEBUG"]
# `serve` puts the address it listens on here, before it runs the checks.
LISTENS_ON = "127.0.0.1"
# And the number of its process here, by which a page can ask it to start again.
SERVER_PID: int | None = None

# One address, from which the rest follows: names it answers to, whose forms it takes, cookies, sub-path.
BASE_URL = SET["BUILDLOG_BASE_URL"]
ALLOWED_HOSTS = ["localhost", "127.0.0.1", "[::1]", *SET["BUILDLOG_HOSTS"]]
CSRF_TRUSTED_ORIGINS: list[str] = []
TRUSTED_PROXIES = SET["BUILDLOG_TRUSTED_PROXIES"]
if TRUSTED_PROXIES is None:
    TRUSTED_PROXIES = setting_readers.networks("127.0.0.1,::1" if BASE_URL else "none")
if BASE_URL:
    ALLOWED_HOSTS.append(BASE_URL.host)
    CSRF_TRUSTED_ORIGINS.append(BASE_URL.origin)
    FORCE_SCRIPT_NAME = BASE_URL.path or None
    # Believed from trusted proxies only: buildlog.hosting.forwarded takes it away from everybody else.
    if BASE_URL.is_https:
        SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
        SECURE_HSTS_SECONDS = SET["BUILDLOG_HSTS"]
        SECURE_HSTS_INCLUDE_SUBDOMAINS = SET["BUILDLOG_HSTS"].subnames
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = BASE_URL.is_https
SESSION_COOKIE_PATH = CSRF_COOKIE_PATH = f"{BASE_URL.path}/"
# Other programs on this host, and a second log beside this one, have cookies of their own names. With
# these beginnings browsers refuse cookies that another host or an unencrypted answer tries to set.
_begin = "" if not BASE_URL.is_https else "__Secure-" if BASE_URL.path else "__Host-"
_end = re.sub(r"[^A-Za-z0-9]+", "_", BASE_URL.path)
SESSION_COOKIE_NAME = f"{_begin}firnlog_session{_end}"
# The framework's cookie of messages would go to every program on this host, and carry names.
MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"
CSRF_COOKIE_NAME = f"{_begin}firnlog_csrf{_end}"
MACHINE_COOKIE_NAME = f"{_begin}firnlog_machine{_end}"
# There after somebody signed out, so that the field page, which opens without a network, shows nothing of the log.
LEFT_COOKIE_NAME = f"{_begin}firnlog_left{_end}"

INSTALLED_APPS = [
    "buildlog.apps.BuildlogConfig",
    "sessions.apps.SessionsConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "buildlog.apps.LeanStaticFilesConfig",
    "rest_framework",
    "drf_spectacular",
    "django.forms",
    "csp",
    "reversion",
    "django_otp",
    "django_otp.plugins.otp_totp",
    "django_otp.plugins.otp_static",
]
SERIALIZATION_MODULES = {"exact": "buildlog.records.exact_json"}
MIDDLEWARE = [
    "buildlog.hosting.request_log.RequestLog",
    "buildlog.hosting.forwarded.Forwarded",
    # Middleware that sets headers comes before middleware that answers, so that static files and refusals carry them.
    "django.middleware.security.SecurityMiddleware",
    "buildlog.hosting.answer_headers.AnswerHeaders",
    "csp.middleware.CSPMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "buildlog.hosting.compression.Compression",
    "sessions.field.batches.OneBatchAtATime",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "buildlog.hosting.request_size.RequestSize",
    "django.middleware.csrf.CsrfViewMiddleware",
    "buildlog.hosting.request_rate.RequestRate",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "buildlog.people.sign_in_life.SessionLife",
    "buildlog.people.second_factor.SecondFactorDemanded",
    "buildlog.people.current_account.CurrentAccount",
    "buildlog.people.decimal_signs.DecimalSigns",
    "buildlog.machines.chosen_machine.ChosenMachine",
    "django.contrib.messages.middleware.MessageMiddleware",
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
                "buildlog.people.roles.in_templates",
            ],
        },
    }
]
FORM_RENDERER = "django.forms.renderers.TemplatesSetting"

DATABASES = {"default": SET["DATABASE_URL"] or stores.sqlite(DATA / "buildlog.sqlite3")}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "buildlog.Account"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "buildlog.people.password_rules.LongEnough", "OPTIONS": {"min_length": 12}},
    {"NAME": "buildlog.people.password_rules.NotTheName"},
    {"NAME": "buildlog.people.password_rules.NotCommon"},
    {"NAME": "buildlog.people.password_rules.NotTheFirstGuess"},
]
# Whoever asked for a link is waiting for it.
PASSWORD_RESET_TIMEOUT = 24 * 3600
LOGIN_URL = "sign_in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "sign_in"

SESSION_ENGINE = "buildlog.people.sign_in_store"
# Without a visit; `session_life` says how long a sign-in lasts at most, and why.
SESSION_COOKIE_AGE = 30 * 24 * 3600

# Wrong codes are counted by `people/sign_in_limits.py`: the library's own wait, which grows with each wrong code,
# would let somebody who knows a password keep its owner out.
OTP_TOTP_ISSUER = "Firnlog"
OTP_TOTP_THROTTLE_FACTOR = OTP_STATIC_THROTTLE_FACTOR = 0
SECOND_FACTOR = SET["BUILDLOG_SECOND_FACTOR"]
STRICT_CODES = SET["BUILDLOG_STRICT_CODES"]

LANGUAGE_CODE = "en"
TIME_ZONE = SET["BUILDLOG_TIME_ZONE"]
USE_I18N = False
USE_TZ = True

STATIC_URL = f"{BASE_URL.path}/static/"
STATIC_ROOT = DATA / "static"
# Pages name files of these folders alone; what packages bring along for pages of their own is served nowhere.
STATICFILES_FINDERS = ["django.contrib.staticfiles.finders.FileSystemFinder"]
STATICFILES_DIRS = [
    PROJECT / "static",
    ("plotly", str(Path(plotly.__file__).parent / "package_data")),
]
STORAGES = {
    "default": stores.files(SET),
    "staticfiles": {"BACKEND": "buildlog.hosting.static_files.ModuleStorage"},
}
WHITENOISE_KEEP_ONLY_HASHED_FILES = True
WHITENOISE_ALLOW_ALL_ORIGINS = False
MEDIA_ROOT = DATA / "media"
BACKUP_DIR = SET["BUILDLOG_BACKUP_DIR"] or DATA / "backups"
BACKUP_HOURS = SET["BUILDLOG_BACKUP_HOURS"]
BACKUP_PUBLIC_KEY = SET["BUILDLOG_BACKUP_PUBLIC_KEY"]
OFFSITE = stores.offsite(SET)
# A log or a photo of a phone is larger than Django's default; the form states its own, smaller limit.
DATA_UPLOAD_MAX_MEMORY_SIZE = 20 * 1024 * 1024

LOGGING = request_log.logging_settings(SET["BUILDLOG_LOG"])

SECURE_CONTENT_TYPE_NOSNIFF = True
# Over TLS the framework looks at the Referer of forms; to other sites nothing is told.
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
CSRF_FAILURE_VIEW = "buildlog.hosting.connection_pages.form_refused"
# Left to the proxy, or decided by the base URL and checked in buildlog.hosting.checks.
SILENCED_SYSTEM_CHECKS = ["security.W004", "security.W005", "security.W008", "security.W021"]
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "font-src": [SELF],
        "manifest-src": [SELF],
        "worker-src": [SELF],
        "img-src": [SELF, "data:", "blob:"],
        "media-src": [SELF, "blob:"],
        "connect-src": [SELF],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["rest_framework.authentication.SessionAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["buildlog.people.roles.ByRole"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["buildlog.records.api_bodies.ShallowJSON", "rest_framework.parsers.MultiPartParser"],
    "UNAUTHENTICATED_USER": "django.contrib.auth.models.AnonymousUser",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Firnlog",
    "DESCRIPTION": "Build log and test sessions of one-off electric ride-on machines.\n\n"
    "A change says which version of the record it changes: `version` in the body, as GET gives it, or the header "
    "`If-Match`. Without either it is refused with 428, and of another version with 412; both versions are in the "
    "answer. Sending what is stored already always succeeds.\n\n"
    "A list comes a page at a time: `next` and `previous` lead to the pages after and before. `count` is null where a "
    "list does not fit on one page; with `offset`, also `offset=0`, it is counted, and pages are found by number.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVERS": [{"url": str(BASE_URL)}] if BASE_URL else [],
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "buildlog.records.api_document.with_refusals",
    ],
    "ENUM_NAME_OVERRIDES": {
        "RevisionStatus": "buildlog.models.Revision.Status",
        "FailureState": "buildlog.models.Failure.State",
        "GoNoGoAnswer": "sessions.models.GoNoGoCheck.Answer",
    },
}
