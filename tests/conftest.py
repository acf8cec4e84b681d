"""The records that most tests begin with."""

import contextlib
import functools
import os
import shutil
import subprocess
from datetime import UTC, date, datetime
from pathlib import Path

import hypothesis
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection, transaction
from django.test import override_settings
from django.utils import timezone

from tests import data_folders, migrated_databases, servers

pytest_plugins = ["tests.one_of_each_kind"]
# The same examples on every machine and however busy it is: a check must not pass today and fail tomorrow.
hypothesis.settings.register_profile(
    "quick", max_examples=50, deadline=None, derandomize=True, suppress_health_check=[hypothesis.HealthCheck.too_slow]
)
hypothesis.settings.load_profile("quick")


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    outcome = yield
    report = outcome.get_result()
    if report.skipped and os.environ.get("BUILDLOG_SKIPS_FAIL") == "yes" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"Skipped, which this run does not allow: {report.longrepr[-1]}"
    if call.excinfo is not None and isinstance(call.excinfo.value, subprocess.SubprocessError):
        # Its own message says only which command failed.
        for stream in ("stdout", "stderr"):
            text = getattr(call.excinfo.value, stream, None) or ""
            if text:
                text = text if isinstance(text, str) else text.decode(errors="replace")
                report.sections.append((f"{stream} of the process", text))


@pytest.fixture(scope="session", autouse=True)
def rides_are_simulated_once():
    """The invented season is loaded some fifty times, and its rides are always the same."""
    from sessions.demo import loading

    loading.simulate = functools.cache(loading.simulate)


@pytest.fixture(scope="session")
def folder_of_the_run(tmp_path_factory):
    """pytest's folder of this run, which all its workers share."""
    own = tmp_path_factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


@pytest.fixture(scope="session")
def migrated(folder_of_the_run):
    """A SQLite file that is up to date and empty; not to be changed."""
    return migrated_databases.file_in(folder_of_the_run)


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings, request, folder_of_the_run):
    """The tests' own database begins as a copy, so that there is nothing to migrate."""
    if servers.OF_THE_RUN:
        template = migrated_databases.database_on(servers.OF_THE_RUN, folder_of_the_run)
        connection.settings_dict["TEST"]["TEMPLATE"] = template
        yield
    else:
        address = connection.creation._get_test_db_name()
        with migrated_databases.copied_into_memory(request.getfixturevalue("migrated"), address):
            yield


@pytest.fixture
def from_noon(monkeypatch):
    """The clock of the records begins at noon: no day ends between what a test does and what it looks at."""
    now = timezone.now
    ahead = now().replace(hour=12) - now()
    monkeypatch.setattr(timezone, "now", lambda: now() + ahead)


@pytest.fixture(autouse=True)
def media_of_its_own(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "media"


@pytest.fixture(scope="session")
def postgresql():
    """A PostgreSQL server of this run's own, in which a test makes databases."""
    from tests.servers import NotInstalled, running_postgresql

    with contextlib.ExitStack() as running:
        try:
            server = running.enter_context(running_postgresql())
        except NotInstalled as error:
            pytest.skip(str(error))
        yield server


@pytest.fixture(scope="session")
def migrated_on_server(postgresql, folder_of_the_run):
    """The name of a database of that server that is up to date and empty; not to be changed."""
    return migrated_databases.database_on(postgresql.url("postgres"), folder_of_the_run)


@pytest.fixture(scope="session")
def object_store():
    """A server of the S3 protocol of this run's own."""
    from tests.servers import running_object_store

    with running_object_store() as store:
        yield store


@pytest.fixture
def files_in_object_store(settings, object_store):
    """Photos and logs of this test are kept in a bucket, and not in a folder."""
    settings.STORAGES = {**settings.STORAGES, "default": object_store.storage()}
    client = object_store.client()
    for name in object_store.names():
        client.delete_object(Bucket=object_store.bucket, Key=name)
    yield object_store
    # Whoever looks for a file on this machine's disk has not understood: there is none.
    assert not list(Path(settings.MEDIA_ROOT).rglob("*.*"))


@pytest.fixture
def make_account(db, django_user_model):
    def make(role, name=None):
        return django_user_model.objects.create_user(name or role, password="frost-and-chain-77", role=role)

    return make


@pytest.fixture
def sign_in(make_account, client):
    """Signs the test client in under a role, and returns the client."""

    def enter(role):
        client.force_login(make_account(role))
        return client

    return enter


@pytest.fixture
def vehicle(db):
    from buildlog.models import Vehicle

    return Vehicle.objects.create(name="Test sled")


@pytest.fixture
def revision(vehicle):
    from buildlog.models import Revision

    return Revision.objects.create(
        vehicle=vehicle,
        number=1,
        date=date(2026, 1, 10),
        status="riding",
        track_width_m=1.2,
        wheelbase_m=1.8,
        mass_without_rider_kg=90.0,
        cg_height_m=0.35,
    )


@pytest.fixture
def battery(db):
    from buildlog.models import Part

    return Part.objects.create(
        name="Module 14s 12 Ah",
        category="battery_module",
        mass_kg=4.5,
        specification={
            "nominal_voltage_v": 50.4,
            "full_voltage_v": 58.8,
            "empty_voltage_v": 35.0,
            "capacity_ah": 12.0,
        },
    )


@pytest.fixture
def controller(db):
    from buildlog.models import Part

    return Part.objects.create(
        name="Controller 55 V", category="speed_controller", mass_kg=1.0, specification={"highest_voltage_v": 55.0}
    )


@pytest.fixture
def venue(db):
    from sessions.models import Venue

    return Venue.objects.create(name="Test lake")


@pytest.fixture
def gate(venue):
    from sessions.models import Gate, GateMark

    gate = Gate.objects.create(venue=venue, name="Straight", u_distance_m=0.02)
    GateMark.objects.bulk_create([GateMark(gate=gate, position_m=0.0), GateMark(gate=gate, position_m=100.0)])
    return gate


@pytest.fixture
def session(revision, venue):
    from sessions.models import Session

    return Session.objects.create(
        revision=revision,
        venue=venue,
        started_at=datetime(2026, 1, 17, 11, 0, tzinfo=UTC),
        air_temperature_c=-10.0,
        surface="clear_ice",
        rider_mass_kg=80.0,
        runtime_s=1800.0,
        distance_m=10000.0,
        charge_used_ah=8.0,
        rest_voltage_start_v=58.0,
        rest_voltage_end_v=52.0,
    )


@pytest.fixture
def timed_pass(session, gate):
    from sessions.models import Pass

    return Pass.objects.create(session=session, gate=gate, number=1, method="video", frames_per_s=60.0, duration_s=5.0)


@pytest.fixture
def reading(session):
    from sessions.models import Reading

    return Reading.objects.create(session=session, time_into_session_s=300.0, voltage_v=54.0, current_a=40.0)


@pytest.fixture
def failure(revision, session):
    from buildlog.models import Failure, FailureMode

    return Failure.objects.create(
        revision=revision, session=session, mode=FailureMode.called("chain came off"), severity=3
    )


@pytest.fixture(scope="session")
def picture_bytes():
    """A JPEG of 60 × 40 pixels."""
    import io

    from PIL import Image

    buffer = io.BytesIO()
    Image.new("RGB", (60, 40), (200, 30, 30)).save(buffer, "JPEG")
    return buffer.getvalue()


@pytest.fixture
def picture_file(picture_bytes):
    """The picture uploaded, as a form or the API receives it."""
    return SimpleUploadedFile("whatever.jpg", picture_bytes, "image/jpeg")


@pytest.fixture(scope="session")
def undone(django_db_setup, django_db_blocker, tmp_path_factory):
    """A block in which records are made before the tests of a module, and whose records and files are gone after it."""

    @contextlib.contextmanager
    def block():
        with (
            django_db_blocker.unblock(),
            override_settings(MEDIA_ROOT=tmp_path_factory.mktemp("media")),
            transaction.atomic(),
        ):
            yield
            transaction.set_rollback(True)

    return block


@pytest.fixture(scope="session")
def filled_folder(folder_of_the_run, migrated):
    """A data folder with the invented season, an account, photos and a recording; not to be changed."""
    return migrated_databases.filled_once(folder_of_the_run / "with-season", migrated, data_folders.fill)


@pytest.fixture(scope="session")
def collected(folder_of_the_run):
    """A data folder with this version's static files and nothing else; not to be changed."""
    return migrated_databases.made_once(folder_of_the_run / "with-static-files", data_folders.collect_static_files)


@pytest.fixture
def data(filled_folder, tmp_path, settings, monkeypatch):
    """A copy of it to work on; the settings of this process are those of the copy, which is on SQLite."""
    from buildlog.hosting.backups import server

    monkeypatch.setattr(server, "holds_the_records", lambda: False)
    folder = tmp_path / "data"
    shutil.copytree(filled_folder, folder)
    settings.DATA, settings.MEDIA_ROOT, settings.BACKUP_DIR = folder, folder / "media", folder / "backups"
    return folder


@pytest.fixture
def ilo(make_account):
    return make_account("recorder", "ilo")


@pytest.fixture(autouse=True)
def no_command_of_its_own(monkeypatch):
    """What posts to the page of backups would start `manage.py backup` on the folder of the whole run."""
    from buildlog.hosting.backups import schedule

    class Ended:
        def wait(self, _seconds=None):
            return 0

    monkeypatch.setattr(schedule, "_begin", lambda *_, **__: Ended())
