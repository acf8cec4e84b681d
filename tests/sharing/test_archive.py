"""A machine out in one file and in again; tables that no spreadsheet can be tricked by."""

import csv
import io
import json
import math
import uuid
import zipfile
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from buildlog.models import (
    BalanceTest,
    Cause,
    Failure,
    FailureChange,
    Individual,
    IndividualFitting,
    Modification,
    Part,
    Photo,
    RemovedRecord,
    Revision,
    SignOff,
    UpkeepCheck,
    UpkeepItem,
    Vehicle,
    Verification,
)
from buildlog.photos.pictures import store_photo
from buildlog.records.csv_tables import as_csv, cell
from buildlog.records.removal import remove
from sessions.demo import loading
from sessions.demo.season import SEAT
from sessions.logs.column_guess import guess
from sessions.logs.csv_layout import find_layout
from sessions.logs.ingest import read_stored, store_log
from sessions.models import (
    AcceptedPoint,
    FormulaChannel,
    GateMark,
    Instrument,
    Log,
    Pass,
    Reading,
    Release,
    Session,
    ShareLink,
    TestCard,
    TestCardItem,
    Trial,
    Venue,
    VoiceNote,
)
from sessions.sharing import archive
from tests.logs.whole_logs import whole_columns

SAMPLE = Path(__file__).resolve().parents[1] / "reference/data/sample.gpx"
LOGGER_FILE = b"time (s);U (V);I (A)\n0,0;52,4;10,5\n0,5;52,2;20,5\n1,0;;30,5\n"
COUNTED = [
    Vehicle, Part, Revision, Venue, GateMark, Session, Pass, Reading, Failure, FailureChange, Modification, Cause,
    TestCard, TestCardItem, Photo, Log, SignOff, Verification, Individual, IndividualFitting, UpkeepItem, UpkeepCheck,
    BalanceTest, AcceptedPoint, Release, Trial, Instrument, FormulaChannel,
]  # fmt: skip


@pytest.fixture
def demo(db, picture_file):
    loading.load()
    vehicle = Vehicle.objects.get()
    photo = store_photo(picture_file, revision=vehicle.revisions.first(), caption="=1+1")
    Verification.objects.create(
        modification=Modification.objects.filter(answers__isnull=False).first(), kind="inspection", done_by="Invented",
        finding="No crack.", photo=photo,
    )  # fmt: skip
    content = SAMPLE.read_bytes()
    outing = Session.objects.first()
    read_stored(store_log(outing, SimpleUploadedFile("ride.gpx", content)))
    head = find_layout(io.BytesIO(LOGGER_FILE), len(LOGGER_FILE))
    log = store_log(outing, SimpleUploadedFile("ride.csv", LOGGER_FILE))
    voltage = {"name": "U", "header_unit": "V", "meaning": "voltage_v", "unit": "V", "highest": 60.0}
    log.instrument = Instrument.objects.create(vehicle=vehicle, name="Pack logger", columns=[voltage])
    log.save()
    FormulaChannel.objects.create(vehicle=vehicle, name="Pull", formula="voltage * current", unit="W")
    read_stored(log, head.layout, guess(head.layout, head.rows))
    store_log(outing, SimpleUploadedFile("waits.csv", b"a,b\nc,d\n"))
    newest = vehicle.revisions.last()
    BalanceTest.objects.create(revision=newest, kind="tilt", side="left", tilt_deg=38.0)
    AcceptedPoint.objects.create(revision=newest, point="sag", title="Sag", sentence="It sags.", reason="Slowly.")
    Release.objects.create(revision=newest, points=[{"point": "sag", "settled": "accepted"}])
    card = TestCard.objects.create(revision=newest, title="Next")
    TestCardItem.objects.create(card=card, what="Six passes")
    return vehicle


def packed(vehicle):
    target = io.BytesIO()
    archive.export_machine(vehicle, target)
    target.seek(0)
    return target


def read(target):
    return archive.import_machine(target, len(target.getvalue()))


def everything():
    return {model.__name__: sorted(map(str, model.objects.values_list("pk", flat=True))) for model in COUNTED
            if model not in (GateMark, FailureChange)}  # fmt: skip


def test_out_and_in_again_is_the_same_machine(demo):
    before, counts = everything(), {model: model.objects.count() for model in COUNTED}
    states = {failure.pk: failure.state for failure in Failure.objects.all()}
    target = packed(demo)
    loading.remove()
    TestCard.objects.all().delete()
    assert not Session.objects.exists()
    done = read(target)
    assert everything() == before
    assert {model: model.objects.count() for model in COUNTED} == counts
    assert {failure.pk: failure.state for failure in Failure.objects.all()} == states
    assert "held" in states.values()
    assert done.vehicle == demo.pk
    answered = Modification.objects.get(title__startswith="Heavier chain").answers
    assert answered.count() == 2
    assert min(photo.image.size for photo in Photo.objects.all()) > 0
    tracks = {log.original.open("rb").read(): log for log in Log.objects.filter(kind="gpx")}
    log = tracks[SAMPLE.read_bytes()]
    assert whole_columns(log)["lat_deg"].size == log.row_count
    logged = Log.objects.get(name="ride.csv")
    assert whole_columns(logged)["voltage_v"][:2].tolist() == [52.4, 52.2]
    assert logged.summary["facts"]["highest_current_a"] == 20.5
    assert (Log.objects.get(name="waits.csv").state, Log.objects.get(name="waits.csv").row_count) == ("waiting", 0)
    # And once more: nothing new.
    again = read(target)
    assert (again.total, everything()) == (0, before)


def test_numbers_and_texts_come_back_exactly(demo):
    held = list(Session.objects.order_by("pk").values())
    runs = list(Pass.objects.order_by("pk").values())
    builds = list(Revision.objects.order_by("pk").values())
    assert {build["seat_x_m"] for build in builds} == {SEAT[0]}
    target = packed(demo)
    loading.remove()
    read(target)
    assert list(Session.objects.order_by("pk").values()) == held
    assert list(Pass.objects.order_by("pk").values()) == runs
    assert list(Revision.objects.order_by("pk").values()) == builds


def test_pictures_of_parts_go_along(demo, picture_file):
    picture_file.seek(0)
    part = Part.objects.filter(fittings__revision__vehicle=demo).first()
    store_photo(picture_file, part=part, caption="Worn sprocket")
    target = packed(demo)
    loading.remove()
    Part.objects.all().delete()
    assert not Photo.objects.exists()
    read(target)
    assert Photo.objects.get(caption="Worn sprocket").part.name == part.name


def test_words_that_are_here_already_are_shared(demo):
    target = packed(demo)
    venue, mode = Venue.objects.get().name, Failure.objects.first().mode.name
    loading.remove()
    from buildlog.models import FailureMode

    own_venue = Venue.objects.create(name=venue)
    own_mode = FailureMode.objects.create(name=mode)
    read(target)
    assert Venue.objects.get() == own_venue
    assert Session.objects.first().venue == own_venue
    assert FailureMode.objects.filter(name=mode).get() == own_mode


def test_names_of_people_stay_at_home(demo, make_account):
    account = make_account("builder", "somebody-particular")
    FailureChange.objects.update(account=account)
    with zipfile.ZipFile(packed(demo)) as file:
        assert all(b"somebody-particular" not in file.read(name) for name in file.namelist())


def broken(change):
    def make(demo):
        with zipfile.ZipFile(packed(demo)) as source:
            data = json.loads(source.read("records.json"))
        change(data)
        target = io.BytesIO()
        with zipfile.ZipFile(target, "w") as made:
            made.writestr("records.json", json.dumps(data))
        return target.getvalue()

    return make


def cut(demo):
    return packed(demo).getvalue()[:-4000]


def without_records(demo):
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as made:
        made.writestr("readme.txt", "hello")
    return target.getvalue()


HOSTILE = {
    "empty": lambda demo: b"",
    "html": lambda demo: b"<html></html>",
    "cut short": cut,
    "no records": without_records,
    "another format": broken(lambda item: item.update(format=99)),
    "another file": broken(lambda entry: entry.update(firnlog="unsent")),
    "rows are words": broken(lambda record: record.update(session="x")),
    "a row is a number": broken(lambda details: details["session"].append(7)),
    "orphan": broken(lambda content_of_it: content_of_it.update(revision=[])),
    "impossible number": broken(lambda tables: tables["pass"][0].update(duration_s=-1)),
    "word for a number": broken(lambda tables: tables["session"][0].update(distance_m="far")),
    "huge number": broken(lambda tables: tables["session"][0].update(distance_m=10**400)),
    "unknown choice": broken(lambda tables: tables["failure"][0].update(effect="cured")),
    "list for a key": broken(lambda tables: tables["session"][0].update(id=["x"])),
    "a key that is none": broken(lambda tables: tables["session"][0].update(id="x")),
    "a date that is none": broken(lambda tables: tables["session"][0].update(started_at="soon")),
    "twice the same number": broken(lambda tables: [row.update(number=1) for row in tables["revision"]]),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_are_refused_whole_with_a_sentence(demo, sign_in, name):
    content = HOSTILE[name](demo)
    loading.remove()
    TestCard.objects.all().delete()
    client = sign_in("builder")
    answer = client.post("/vehicles/read-archive/", {"file": SimpleUploadedFile("x.zip", content)})
    assert answer.status_code == 422
    assert len(answer.context["form"].errors["file"][0]) > 20
    assert not Vehicle.objects.exists()
    assert not Part.objects.exists()


def test_a_picture_that_is_missing_is_said_and_the_rest_comes_in(demo, sign_in):
    content = broken(lambda data: None)(demo)
    loading.remove()
    page = sign_in("builder").post(
        "/vehicles/read-archive/", {"file": SimpleUploadedFile("x.zip", content)}, follow=True
    )
    assert "its picture is missing or damaged" in page.content.decode()
    assert Vehicle.objects.count() == 1
    assert not Photo.objects.exists()


def test_a_refused_archive_leaves_no_file_behind(demo, settings):
    source, target = zipfile.ZipFile(packed(demo)), io.BytesIO()
    with zipfile.ZipFile(target, "w") as changed:
        for name in source.namelist():
            content = source.read(name)
            if name == "records.json":
                # Evidence comes last, after every picture and log.
                content = json.dumps(json.loads(content) | {"evidence": ["x"]})
            changed.writestr(name, content)
    for photo in Photo.objects.all():
        photo.image.delete(save=False)
        photo.thumbnail.delete(save=False)
    for log in Log.objects.all():
        log.original.delete(save=False)
        log.columns.delete(save=False)
    for note in VoiceNote.objects.all():
        note.sound.delete(save=False)
    loading.remove()
    with pytest.raises(archive.NotAnArchive, match="Evidence 1 is damaged"):
        read(target)
    assert [result for result in Path(settings.MEDIA_ROOT).rglob("*") if result.is_file()] == []


def test_the_page_gives_the_file(demo, sign_in):
    client = sign_in("reader")
    answer = client.get(f"/vehicles/{demo.pk}/archive.zip")
    assert "attachment" in answer.headers["Content-Disposition"]
    content = b"".join(answer.streaming_content)
    assert zipfile.ZipFile(io.BytesIO(content)).testzip() is None


@pytest.mark.parametrize("name", ["sessions", "passes", "failures"])
def test_tables_are_whole(demo, sign_in, name):
    client = sign_in("reader")
    answer = client.get(f"/vehicles/{demo.pk}/tables/{name}.csv")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode())))
    counted = {"sessions": Session.objects, "passes": Pass.objects.filter(valid=True), "failures": Failure.objects}
    assert len(rows) == counted[name].count()
    assert client.get(f"/vehicles/{demo.pk}/tables/secrets.csv").status_code == 404


def test_numbers_of_a_table_are_numbers(demo, sign_in):
    answer = sign_in("reader").get(f"/vehicles/{demo.pk}/tables/sessions.csv")
    row = next(csv.DictReader(io.StringIO(answer.content.decode())))
    session = Session.objects.get(pk=row["session"])
    assert float(row["air_temperature_c"]) == session.air_temperature_c < 0


def test_tables_have_the_digits_of_their_uncertainty_and_name_what_is_in_doubt(demo, sign_in):
    client = sign_in("reader")
    Session.objects.filter(pk=Session.objects.filter(runtime_s__gt=0).first().pk).update(runtime_s=17.0)
    for name, keys in (("sessions", ("energy_per_distance", "range", "mean_power")), ("passes", ("speed_mps",))):
        text = client.get(f"/vehicles/{demo.pk}/tables/{name}.csv").content.decode()
        for row in csv.DictReader(io.StringIO(text)):
            for key in keys:
                if not row[key]:
                    continue
                # JCGM 100:2008, 7.2.6: two digits of ±, and the value to their place.
                place = 10.0 ** (math.floor(math.log10(2 * float(row[f"u_{key}"]) * 1.03)) - 1)
                assert float(row[key]) / place == pytest.approx(round(float(row[key]) / place), abs=1e-6) or (
                    float(row[key]) / (10 * place) == pytest.approx(round(float(row[key]) / (10 * place)), abs=1e-6)
                )
                assert len(row[key]) <= 11
        if name == "sessions":
            assert "runtime_s" in "".join(row["in_doubt"] for row in csv.DictReader(io.StringIO(text)))
            assert max(len(row["runtime_s"]) for row in csv.DictReader(io.StringIO(text))) <= 7


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("http://x")'])
def test_text_cannot_start_a_formula(text):
    """OWASP, CSV Injection: the characters that make a spreadsheet take a cell for a formula."""
    assert cell(text) == f"'{text}"


@pytest.mark.parametrize("value", [-12, -12.5, 0, 1e-9, 3])
def test_numbers_are_untouched(value):
    assert cell(value) == value


def test_a_table_is_rfc_4180():
    assert as_csv(["a", "b"], [["x, y", 'say "so"'], [None, float("nan")]]) == 'a,b\r\n"x, y","say ""so"""\r\n,\r\n'


# Sharing


@pytest.fixture
def shared(demo, make_account):
    def make(**values):
        link, token = ShareLink.issue(
            values.pop("days", 7), made_by=make_account("builder", "ilo-the-builder"), **values
        )
        return link, f"/shared/{token}/"

    return make


def test_a_link_shows_one_report_without_an_account(client, demo, shared):
    revision = demo.revisions.get(number=4)
    link, path = shared(revision=revision)
    answer = client.get(path)
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "14s modules instead of 12s" in page
    assert "Hallava" not in page
    assert "ilo-the-builder" not in page
    assert (answer.headers["Referrer-Policy"], answer.headers["Cache-Control"]) == ("no-referrer", "no-store")
    link.refresh_from_db()
    assert link.opened == 1
    assert ShareLink.objects.filter(token_hash__in=path.split("/")).count() == 0


def test_places_and_names_are_shown_when_they_may_be(client, demo, shared):
    _, path = shared(revision=demo.revisions.get(number=4), hides_places=False, hides_people=False)
    page = client.get(path).content.decode()
    assert "Hallava" in page
    assert "ilo-the-builder" in page


def test_a_link_ends(client, demo, shared, sign_in):
    link, path = shared(revision=demo.revisions.first())
    link.revoke()
    assert client.get(path).status_code == 410
    expired, other = ShareLink.issue(-1, made_by=link.made_by, revision=demo.revisions.first())
    assert not expired.is_open
    assert client.get(f"/shared/{other}/").status_code == 410
    assert client.get("/shared/guessed/").status_code == 410


def test_a_link_shows_its_photos_and_no_other(client, demo, shared, picture_file):
    first, second = demo.revisions.order_by("number")[:2]
    picture_file.seek(0)
    other = store_photo(picture_file, revision=second)
    _, path = shared(revision=first)
    own = first.photos.get()
    assert client.get(f"{path}photo/{own.pk}/").headers["Content-Type"] == "image/jpeg"
    assert client.get(f"{path}photo/{other.pk}/").status_code == 404
    assert client.get(f"/shared/guessed/photo/{own.pk}/").status_code == 404


def test_a_link_shows_a_comparison(client, demo, shared):
    away = Venue.objects.create(name="Secret bay")
    Session.objects.filter(pk=Session.objects.first().pk).update(venue=away)
    venue = Venue.objects.exclude(pk=away.pk).get()
    _, path = shared(comparison=f"vehicle={demo.pk}&venue={venue.pk}")
    page = client.get(path).content.decode()
    assert 'class="answers"' in page
    assert "R6 against R5" in page
    assert "Secret bay" not in page
    assert "ridden elsewhere" in page
    assert 'href="/revisions/' not in page


def test_links_are_made_and_ended_on_the_page(demo, sign_in, client):
    builder = sign_in("builder")
    revision = demo.revisions.first()
    page = builder.post(f"/share/?report={revision.pk}", {"days": "30", "hides_places": "on"})
    link = page.context["link"]
    assert builder.get(link.removeprefix("http://testserver")).status_code == 200
    made = ShareLink.objects.get()
    assert (made.hides_places, made.hides_people) == (True, False)
    builder.post(f"/share/{made.pk}/revoke/")
    assert builder.get(link.removeprefix("http://testserver")).status_code == 410
    assert builder.get("/share/?report=nonsense").status_code == 404


def test_what_an_earlier_release_called_held_stays_signed(demo):
    """Its archives have a state for each failure and no words of their own."""
    target, states = packed(demo), {failure.pk: failure.state for failure in Failure.objects.all()}
    earlier = io.BytesIO()
    with zipfile.ZipFile(target) as new, zipfile.ZipFile(earlier, "w") as old:
        records = json.loads(new.read("records.json"))
        assert records.pop("signoff")
        for row in records["failure"]:
            row["state"] = states[uuid.UUID(row["id"])]
        old.writestr("records.json", json.dumps(records))
        for name in new.namelist():
            if name.startswith(("photos/", "logs/")):
                old.writestr(name, new.read(name))
    loading.remove()
    TestCard.objects.all().delete()
    read(earlier)
    assert {failure.pk: failure.state for failure in Failure.objects.all()} == states


def test_a_piece_and_a_named_part_that_are_here_already_take_the_place_of_the_file_s(demo):
    """Both are known here under another key: the file's places, upkeep and named parts belong to what is here."""
    fix = Modification.objects.get(title__startswith="Heavier chain")
    chain = Part.objects.get(name__startswith="Chain 428")
    fix.changed = [str(chain.pk)]
    fix.save()
    motor, places = Individual.objects.get(), IndividualFitting.objects.count()
    target = packed(demo)
    category, name, serial = motor.part.category, motor.part.name, motor.serial
    loading.remove()
    TestCard.objects.all().delete()
    here = Individual.objects.create(part=Part.objects.create(category=category, name=name), serial=serial)
    own_chain = Part.objects.create(category=chain.category, name=chain.name)
    read(target)
    assert Individual.objects.get() == here
    assert here.places.count() == places
    assert Modification.objects.get(pk=fix.pk).changed == [str(own_chain.pk)]


def test_a_revision_takes_its_tests_points_and_releases_along_when_it_goes(revision, balance_test, make_account):
    AcceptedPoint.objects.create(revision=revision, point="sag", title="Sag", sentence="It sags.", reason="Slowly.")
    Release.objects.create(revision=revision)
    remove(revision, make_account("owner"))
    assert not any(model.objects.exists() for model in (BalanceTest, AcceptedPoint, Release))
    kinds = set(RemovedRecord.objects.values_list("kind", flat=True))
    assert {"buildlog.BalanceTest", "test_sessions.AcceptedPoint", "test_sessions.Release"} <= kinds
