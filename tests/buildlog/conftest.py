"""One record of each kind that a page's address names."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile


@pytest.fixture
def fitting(revision, battery):
    from buildlog.models import Fitting

    return Fitting.objects.create(revision=revision, part=battery, quantity=2, series=1, parallel=2)


@pytest.fixture
def modification(revision):
    from buildlog.models import Modification

    return Modification.objects.create(revision=revision, title="New chain")


@pytest.fixture
def card(revision):
    from sessions.models import TestCard

    return TestCard.objects.create(revision=revision, title="Next outing")


@pytest.fixture
def share_link(revision, make_account):
    from sessions.models import ShareLink

    return ShareLink.issue(7, made_by=make_account("owner", "sharer"), revision=revision)[0]


@pytest.fixture
def device(vehicle, make_account):
    from buildlog.models import DeviceToken

    return DeviceToken.issue(name="Logger", vehicle=vehicle, account=make_account("builder", "logger-owner"))[0]


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
    from sessions.logs.keeping import keep, read_kept

    points = "".join(f'<trkpt lat="60.00{n}" lon="25"/>' for n in range(3))
    head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="t">'
    kept = keep(session, SimpleUploadedFile("track.gpx", f"{head}<trk><trkseg>{points}</trkseg></trk></gpx>".encode()))
    read_kept(kept)
    return kept


@pytest.fixture
def logger_file(session):
    from sessions.logs.keeping import keep

    return keep(session, SimpleUploadedFile("log.csv", b"t,volts\n0,52\n1,51\n2,51\n"))


@pytest.fixture
def photo(session, picture_file):
    from buildlog.pictures import store_photo

    return store_photo(picture_file, session=session)


@pytest.fixture
def ilo(make_account):
    return make_account("recorder", "ilo")


@pytest.fixture(autouse=True)
def no_command_of_its_own(monkeypatch):
    """What posts to the page of backups would start `manage.py backup` on the folder of the whole run."""
    from buildlog.backups import schedule

    class Ended:
        def wait(self, _seconds=None):
            return 0

    monkeypatch.setattr(schedule, "_begin", lambda *_, **__: Ended())
