"""Adding a quantity that is stored and shown costs one line in one file, and a migration.

Tried on a copy of the product: one column is declared there, and everything else is the product as it is.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[2]
BESIDE = "    wind_speed_mps = QuantityField("
DECLARED = """\
    snow_depth_cm = QuantityField(
        "snow depth", kind="thickness", null=True, blank=True, high=300, group="Conditions", phone="start"
    )
"""
TRIED = """
import json, os
os.environ["DJANGO_SETTINGS_MODULE"] = "buildlog.config.settings"
import django
django.setup()
from django.conf import settings
settings.ALLOWED_HOSTS.append("testserver")
settings.STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
from django.db import IntegrityError, transaction
from django.test import Client
from buildlog.models import Account, Revision, Vehicle
from buildlog.quantities.declared import glossary
from sessions.models import Session, Venue

owner = Account.objects.create_user("ilo", password="frost-and-chain-77", role="owner")
revision = Revision.objects.create(
    vehicle=Vehicle.objects.create(name="Sled"), number=1, date="2026-01-10", status="riding")
session = Session.objects.create(revision=revision, venue=Venue.objects.create(name="Lake"))
client = Client()
client.force_login(owner)
api = f"/api/v1/sessions/{session.pk}/"
version = client.get(api).json()["version"]
stored = client.patch(api, {"snow_depth_cm": "7 in", "version": version}, content_type="application/json").json()
phone = [one for one in client.get("/api/v1/field/").json()["fields"]["sessions"] if one["name"] == "snow_depth_cm"]
try:
    with transaction.atomic():
        Session.objects.filter(pk=session.pk).update(snow_depth_cm=301)
    bounded = False
except IntegrityError:
    bounded = True
print(json.dumps({
    "form": client.get(f"/sessions/{session.pk}/edit/").content.decode(),
    "api": stored["snow_depth_cm"],
    "phone": phone,
    "page": client.get(f"/sessions/{session.pk}/").content.decode(),
    "glossary": [line for line in glossary([Session]) if line.name == "Session.snow_depth_cm"],
    "bounded": bounded,
}))
"""


@pytest.mark.own_database
def test_a_quantity_added_in_one_file_is_in_form_api_phone_page_and_glossary(tmp_path):
    product = tmp_path / "product"
    for part in ("buildlog", "sessions", "calc", "templates", "static", "manage.py", "pyproject.toml"):
        source = PROJECT / part
        copy = shutil.copytree if source.is_dir() else shutil.copy
        product.mkdir(exist_ok=True)
        copy(source, product / part)
    declaration = product / "sessions/outings/models/outings.py"
    before, beside, after = declaration.read_text().partition(BESIDE)
    assert beside
    declaration.write_text(before + DECLARED + beside + after)
    data = tmp_path / "data"
    data.mkdir(mode=0o700)
    environment = {"PATH": os.environ["PATH"], "BUILDLOG_DATA_DIR": str(data), "PYTHONDONTWRITEBYTECODE": "1"}

    def run(*arguments):
        done = subprocess.run(
            [sys.executable, *arguments], cwd=product, env=environment, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr[-2000:]
        return done.stdout

    run("manage.py", "makemigrations", "test_sessions", "-n", "snow_depth", "-v", "0")
    run("manage.py", "migrate", "-v", "0")
    shown = json.loads(run("-c", TRIED))
    assert 'name="snow_depth_cm"' in shown["form"]
    # NIST SP 811 (2008), B.8: 1 in = 2.54 cm.
    assert shown["api"] == pytest.approx(7 * 2.54)
    assert "<dt>Snow depth</dt><dd>17.78 cm</dd>" in shown["page"]
    [field] = shown["phone"]
    assert (field["label"], field["kind"], field["high"], field["phone"]) == ("snow depth", "thickness", 300, "start")
    assert shown["glossary"] == [["Session.snow_depth_cm", "thickness", "cm", "snow depth"]]
    assert shown["bounded"]
