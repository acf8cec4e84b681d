"""One record of each kind that a page's address names."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile


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
