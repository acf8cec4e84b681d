"""A file of every kind is sent to the import page, as a person sends it, and each page says what became of it."""

import gzip
import io
import json
import struct
import zipfile
from datetime import UTC, datetime, timedelta

import openpyxl
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from sessions.models import Log
from tests.logs.test_formats import FIT_SAMPLE, KML, TCX, geojson, sentence, trackpoint, zipped

START = datetime(2026, 1, 17, 11, 0, tzinfo=UTC)
ROWS = 40


def gpx_track(version):
    points = "".join(
        f'<trkpt lat="{60 + n / 1e4}" lon="25"><ele>12</ele><time>{(START + timedelta(seconds=n)).isoformat()}</time>'
        f"<speed>11.1</speed></trkpt>\n"
        for n in range(ROWS)
    )
    namespace = f"http://www.topografix.com/GPX/{version.replace('.', '/')}"
    return f'<gpx version="{version}" xmlns="{namespace}"><trk><trkseg>{points}</trkseg></trk></gpx>'.encode()


def nmea():
    moments = ((START + timedelta(seconds=n), n) for n in range(ROWS))
    return b"".join(
        sentence(f"GNRMC,{at:%H%M%S}.00,A,60{n / 1000:07.4f},N,02500.0000,E,10.0,0.0,170126,,,A") for at, n in moments
    )


def geojson_line():
    stamps = [(START + timedelta(seconds=n)).isoformat() for n in range(ROWS)]
    places = [[25, 60 + n / 1e4, 12] for n in range(ROWS)]
    line = {"type": "LineString", "coordinates": places}
    return geojson({"type": "Feature", "properties": {"coordTimes": stamps}, "geometry": line})


def kml_track():
    stamps = "".join(f"<when>{(START + timedelta(seconds=n)).isoformat()}</when>" for n in range(ROWS))
    places = "".join(f"<gx:coord>25 {60 + n / 1e4} 12</gx:coord>" for n in range(ROWS))
    return (KML % f"<gx:Track>{stamps}{places}</gx:Track>").encode()


TRACKS = {
    "ride.gpx": (gpx_track("1.1"), ROWS),
    "old.gpx": (gpx_track("1.0"), ROWS),
    "ride.fit": (FIT_SAMPLE.read_bytes(), 96),
    "ride.tcx": (TCX % "".join(trackpoint(n) for n in range(ROWS)).encode(), ROWS),
    "ride.nmea": (nmea(), ROWS),
    "ride.txt": (nmea(), ROWS),
    "ride.geojson": (geojson_line(), ROWS),
    "ride.kml": (kml_track(), ROWS),
    "ride.gpx.gz": (gzip.compress(gpx_track("1.1")), ROWS),
    "ride.zip": (zipped(ride__gpx=gpx_track("1.1"), readme__txt=b"Ridden on a cold day.\n"), ROWS),
}


@pytest.mark.parametrize("name", TRACKS)
def test_a_track_is_imported_and_its_page_says_so(name, session, sign_in):
    content, rows = TRACKS[name]
    client = sign_in("recorder")
    answer = client.post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile(name, content)}, follow=True)
    assert f"Imported: {name}, {rows} points." in answer.content.decode()
    assert Log.objects.get().row_count == rows


def records():
    return [{"time": n / 2, "voltage": 54 - n / 100, "current": 30 + n % 7, "speed_kmh": 20.5} for n in range(ROWS)]


def comma_separated(extra=b""):
    rows = "".join(",".join(str(value) for value in row.values()) + "\n" for row in records())
    return f"time [s],voltage [V],current [A],speed [km/h]\n{rows}".encode() + extra


def workbook():
    book, out = openpyxl.Workbook(), io.BytesIO()
    book.active.append(["time s", "voltage V", "current A", "speed km/h"])
    for row in records():
        book.active.append(list(row.values()))
    book.save(out)
    return out.getvalue()


def long_table():
    rows = "".join(
        f"{row['time']},{name},{row[name]},{unit}\n"
        for row in records()
        for name, unit in (("voltage", "V"), ("current", "A"))
    )
    return f"time,name,value,unit\n{rows}".encode()


TABLES = {
    "ride.csv": comma_separated(),
    "ride.tsv": comma_separated().replace(b",", b"\t"),
    "bars.txt": comma_separated().replace(b",", b"|"),
    "ride.xlsx": workbook(),
    "ride.jsonl": "".join(json.dumps(row) + "\n" for row in records()).encode(),
    "list.json": json.dumps(records(), indent=1).encode(),
    "long.csv": long_table(),
    "ride.csv.gz": gzip.compress(comma_separated()),
}


def imported(client, session, name, content):
    """The page after everything was left as it is proposed."""
    answer = client.post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile(name, content)})
    log = Log.objects.get()
    assert answer.url == f"/sessions/logs/{log.pk}/columns/", log.problem
    page = client.get(answer.url)
    posted = {f"column_{column.index}": column.chosen for column in page.context["columns"]}
    layout = page.context["layout"]
    written = {name: getattr(layout, name) for name in ("encoding", "delimiter", "decimal", "first_line")}
    return client.post(answer.url, {**posted, **written, "read": "yes", "reason": "tried"}, follow=True)


@pytest.mark.parametrize("name", TABLES)
def test_a_table_is_imported_as_it_is_proposed(name, session, sign_in):
    page = imported(sign_in("recorder"), session, name, TABLES[name]).content.decode()
    assert f"Imported: {name}, {ROWS} rows." in page


def test_the_page_after_an_import_says_what_was_left_out(session, sign_in):
    broken = comma_separated().replace(b"\n5.0,", b"\nabc,") + bytes(512)
    page = imported(sign_in("recorder"), session, "ride.csv", broken).content.decode()
    assert "512 zero bytes, as after a power cut; they are ignored." in page
    # The row whose time is no number is named by its line.
    assert "line 12" in page


def test_a_table_with_a_date_beside_its_clock_is_doubted_kindly(session, sign_in):
    """A current that never changes is doubted; nothing else of the table is a slip that could explain it."""
    rows = "".join(f"17.01.2026,{START + timedelta(seconds=n):%H:%M:%S},{54 - n / 100:.2f},30.1\n" for n in range(ROWS))
    client = sign_in("recorder")
    file = SimpleUploadedFile("ride.csv", f"Date,Time,Voltage (V),Current (A)\n{rows}".encode())
    address = client.post(f"/sessions/{session.pk}/new-log/", {"file": file}).url
    page = client.get(address)
    posted = {f"column_{column.index}": column.chosen for column in page.context["columns"]}
    assert posted["column_0"].startswith("date|")
    answer = client.post(address, {**posted, "read": "yes"})
    assert answer.status_code == 200
    assert "30.1 A in every row" in answer.content.decode()


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("cut.xlsx", workbook()[:3000], "The zip or spreadsheet is damaged"),
        ("two.zip", zipped(a__csv=comma_separated(), b__csv=long_table()), "2 files that may be recordings"),
        ("list.json", b"[1, 2, 3]", "holds no object with values"),
        ("picture.csv", b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13), "The file is a picture"),
    ],
)
def test_what_cannot_be_read_says_why(name, content, words, session, sign_in):
    client = sign_in("recorder")
    page = client.post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile(name, content)}, follow=True)
    assert words in page.content.decode()
    assert Log.objects.get().original.read() == content


def test_a_cut_json_list_is_read_up_to_there(session, sign_in):
    cut = json.dumps(records()).encode()[:-30]
    page = imported(sign_in("recorder"), session, "list.json", cut).content.decode()
    assert f"Imported: list.json, {ROWS - 1} rows." in page
    assert "breaks off" in page


def test_a_zip_that_cannot_be_told_from_a_spreadsheet_keeps_its_kind(session, sign_in):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("notes.txt", "Ridden on a cold day.\n")
        packed.writestr("photo.jpg", b"\xff\xd8\xff")
    page = sign_in("recorder").post(
        f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile("x.zip", out.getvalue())}, follow=True
    )
    assert "one column only" in page.content.decode()
