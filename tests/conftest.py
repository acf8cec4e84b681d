"""The records that most tests begin with."""

import contextlib
import functools
import math
import os
import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection

from tests import data_folders, migrated_databases, servers


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers():
    """Half as many again as processors: the tests of phones, updates and kills wait for a third of their time."""
    if "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ:
        return None
    return math.ceil(1.5 * len(os.sched_getaffinity(0)))


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    outcome = yield
    report = outcome.get_result()
    if report.skipped and os.environ.get("BUILDLOG_SKIPS_FAIL") == "yes" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"Skipped, which this run does not allow: {report.longrepr[-1]}"


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


@pytest.fixture
def picture_file():
    """An uploaded picture of 60 × 40 pixels, as a form or the API receives it."""
    import io

    from django.core.files.uploadedfile import SimpleUploadedFile
    from PIL import Image

    buffer = io.BytesIO()
    Image.new("RGB", (60, 40), (200, 30, 30)).save(buffer, "JPEG")
    return SimpleUploadedFile("whatever.jpg", buffer.getvalue(), "image/jpeg")


@pytest.fixture(scope="session")
def filled_folder(tmp_path_factory, migrated):
    """A data folder with the invented season, an account, photos and a recording; not to be changed."""
    folder = tmp_path_factory.mktemp("installation") / "data"
    migrated_databases.lay_down(migrated, folder)
    data_folders.fill(folder)
    return folder


@pytest.fixture
def data(filled_folder, tmp_path, settings, monkeypatch):
    """A copy of it to work on; the settings of this process are those of the copy, which is on SQLite."""
    from buildlog.hosting.backups import server

    monkeypatch.setattr(server, "holds_the_records", lambda: False)
    folder = tmp_path / "data"
    shutil.copytree(filled_folder, folder)
    settings.DATA, settings.MEDIA_ROOT, settings.BACKUP_DIR = folder, folder / "media", folder / "backups"
    return folder


# One record of each kind that a page's address names


@pytest.fixture
def fitting(revision, battery):
    from buildlog.models import Fitting

    return Fitting.objects.create(revision=revision, part=battery, quantity=2, series=1, parallel=2)


@pytest.fixture
def balance_test(revision):
    from buildlog.models import BalanceTest

    return BalanceTest.objects.create(revision=revision, kind="tilt", side="left", tilt_deg=38.0)


@pytest.fixture
def instrument(vehicle):
    from sessions.logs.instrument_columns import InstrumentColumn
    from sessions.models import Instrument

    columns = [
        InstrumentColumn("time", "s", "time_s", "seconds"),
        InstrumentColumn("U", "V", "voltage_v", "V", lowest=40.0, highest=60.0),
    ]
    listed = [column.as_json() for column in columns]
    return Instrument.objects.create(vehicle=vehicle, name="Pack logger", columns=listed)


@pytest.fixture
def formula(vehicle):
    from sessions.models import FormulaChannel

    return FormulaChannel.objects.create(vehicle=vehicle, name="Pull", formula="voltage * current", unit="W")


@pytest.fixture
def individual(battery):
    from buildlog.models import Individual

    return Individual.objects.create(part=battery, serial="M 1")


@pytest.fixture
def individual_fitting(individual, fitting):
    from buildlog.models import IndividualFitting

    return IndividualFitting.objects.create(individual=individual, fitting=fitting)


@pytest.fixture
def upkeep_item(vehicle):
    from buildlog.models import UpkeepItem

    return UpkeepItem.objects.create(vehicle=vehicle, kind="interval", title="Lubricate the chain", every_m=50_000.0)


@pytest.fixture
def upkeep_check(upkeep_item):
    from buildlog.models import UpkeepCheck

    return UpkeepCheck.objects.create(item=upkeep_item, done_on="2026-01-11", done_by="Ilo")


@pytest.fixture
def confirmation(session):
    from buildlog.models import Confirmation

    return Confirmation.objects.create(
        vehicle=session.revision.vehicle, subject="session", record=session.pk, rule="wind", reason="Read again."
    )


@pytest.fixture
def modification(revision):
    from buildlog.models import Modification

    return Modification.objects.create(revision=revision, title="New chain")


@pytest.fixture
def verification(modification):
    from buildlog.models import Verification

    return Verification.objects.create(
        modification=modification, kind="inspection", done_on="2026-03-01", done_by="Ida", finding="No crack."
    )


@pytest.fixture
def sign_off(failure, vehicle):
    from buildlog.models import SignOff

    return SignOff.objects.create(vehicle=vehicle, mode=failure.mode, kind="closed_without_fix", why="A stone.")


@pytest.fixture
def failure_mode(failure):
    return failure.mode


@pytest.fixture
def mode_change(failure):
    from buildlog.models import ModeChange

    return ModeChange.objects.create(
        mode=failure.mode, kind="joined", old_name="chain fell off", old_key="chain fell off", failures=[]
    )


@pytest.fixture
def backup_file(settings, tmp_path):
    """A file in the folder of backups, by its name."""
    from types import SimpleNamespace

    settings.BACKUP_DIR = tmp_path / "backups"
    settings.BACKUP_DIR.mkdir(exist_ok=True)
    name = "firnlog-2026-01-17T110000Z-of-00000000.zip"
    (settings.BACKUP_DIR / name).write_bytes(b"sealed")
    return SimpleNamespace(pk=name)


@pytest.fixture
def removal(venue, make_account):
    from buildlog.models import Removal
    from buildlog.records import removal as removals
    from sessions.models import Venue

    empty = Venue.objects.create(name="Far pond")
    removals.remove(empty, make_account("builder", "remover"))
    return Removal.objects.get()


@pytest.fixture
def card(revision):
    from sessions.models import TestCard

    return TestCard.objects.create(revision=revision, title="Next outing")


@pytest.fixture
def trial(revision):
    from buildlog.models import Revision
    from sessions.models import Trial

    older = Revision.objects.create(vehicle=revision.vehicle, number=90, date=revision.date, status="riding")
    return Trial.objects.create(revision=revision, against=older, measure="mean_gate_speed")


@pytest.fixture
def share_link(revision, make_account):
    from sessions.models import ShareLink

    return ShareLink.issue(7, made_by=make_account("owner", "sharer"), revision=revision)[0]


@pytest.fixture
def device(vehicle, make_account):
    from buildlog.models import DeviceToken

    return DeviceToken.issue(name="Logger", vehicle=vehicle, account=make_account("builder", "logger-owner"))[0]


@pytest.fixture
def notebook(revision):
    from sessions.models import NotebookImport

    cells = [["Date", "Place", "km"], ["2026-01-20", "Test lake", "4.7"]]
    return NotebookImport.objects.create(name="old.csv", vehicle=revision.vehicle, cells=cells)


@pytest.fixture
def other_account(make_account):
    return make_account("recorder", "ilo")


@pytest.fixture
def invitation(db):
    from buildlog.models import Invitation

    Invitation.issue("reader")
    return Invitation.objects.get()


@pytest.fixture
def log(session):
    from sessions.logs.ingest import read_stored, store_log

    points = "".join(f'<trkpt lat="60.00{n}" lon="25"/>' for n in range(3))
    head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="t">'
    content = f"{head}<trk><trkseg>{points}</trkseg></trk></gpx>".encode()
    log = store_log(session, SimpleUploadedFile("track.gpx", content))
    read_stored(log)
    return log


@pytest.fixture
def logger_file(session):
    from sessions.logs.ingest import store_log

    return store_log(session, SimpleUploadedFile("log.csv", b"t,volts\n0,52\n1,51\n2,51\n"))


@pytest.fixture
def photo(session, picture_file):
    from buildlog.photos.pictures import store_photo

    return store_photo(picture_file, session=session)


@pytest.fixture
def voice_note(session):
    from django.core.files.base import ContentFile

    from sessions.outings.voice_files import store_voice_note

    sound = ContentFile(b"OggS\x00 eight seconds of speech", name="sound")
    return store_voice_note(sound, session=session, time_into_session_s=60.0, duration_s=8.0)


@pytest.fixture
def mark_tap(session, gate):
    from sessions.models import MarkTap

    return MarkTap.objects.create(session=session, gate=gate, at_last_mark=False, at=session.started_at, u_s=0.1)


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
