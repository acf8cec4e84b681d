"""The site's settings with a data folder of the run's own: tests never touch an installation's data."""

import os
import tempfile

# Kept by name, so that the folder lives as long as the run and goes with it.
DATA_OF_THIS_RUN = tempfile.TemporaryDirectory(prefix="firnlog-tests-")
os.environ["BUILDLOG_DATA_DIR"] = DATA_OF_THIS_RUN.name
for name in [*os.environ]:
    if name == "DATABASE_URL" or name.startswith(("BUILDLOG_S3_", "BUILDLOG_SECRET")):
        del os.environ[name]
# Each worker of a run has one core: threads of the linear algebra would only wait for each other's.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from buildlog.config.settings import *
from buildlog.hosting import stores
from tests import servers

if servers.OF_THE_RUN:
    DATABASES = {"default": stores.database(servers.OF_THE_RUN)}
else:
    # Django's default for its own engine of SQLite, of which ours is one.
    DATABASES["default"]["TEST"] = {"NAME": ":memory:"}

# Hashed names exist only after collectstatic; the pages under test do not need them.
STORAGES = {**STORAGES, "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}}
STATIC_ROOT.mkdir()
# Tests ask faster than people and devices do.
SET = {**SET, "BUILDLOG_REQUEST_RATE": 0}
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
# The live server of pytest-django serves static files only where it finds the app under its own name.
INSTALLED_APPS = [
    "django.contrib.staticfiles" if app == "buildlog.apps.LeanStaticFilesConfig" else app for app in INSTALLED_APPS
]
TIME_ZONE = "UTC"
