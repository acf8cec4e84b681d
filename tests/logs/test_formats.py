"""Every format of a recording: read as other libraries and printed values have it, also broken, packed and hostile."""

import gzip
import io
import itertools
import json
import struct
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from geographiclib.geodesic import Geodesic

from sessions.logs import unpacking
from sessions.logs.content import kind_of_file, read_track
from sessions.logs.series import NotARecording
from sessions.logs.unpacking import unpacked
from sessions.models import Log
from tests.logs.test_table_formats import CSV, sheet, table

START = datetime(2026, 1, 17, 11, 0, tzinfo=UTC)
FIT_SAMPLE = Path(__file__).resolve().parents[1] / "reference/data/ride.fit"
"""One of the example activities of the Python package sweat 0.25.0 (MIT licence, Maksym Sladkov, Aart Goossens)."""


def track(content, name="track"):
    with unpacked(io.BytesIO(content), len(content), name) as opened:
        return read_track(opened)


def geodesic_m(recording):
    """geographiclib 2.1, WGS84, from position to position."""
    places = [
        place
        for place in zip(recording.columns["lat_deg"], recording.columns["lon_deg"], strict=True)
        if not np.isnan(place[0])
    ]
    return sum(Geodesic.WGS84.Inverse(*a, *b)["s12"] for a, b in itertools.pairwise(places))


def test_fit_as_its_session_message_says():
    """fitdecode 0.11.0 on this file: 96 records, all with a position, 14:52:40 to 14:54:46 UTC; its distance 668.19 m,
    while the geodesics add up to 901.66 m, because the unit paused."""
    recording = track(FIT_SAMPLE.read_bytes())
    columns = recording.columns
    assert columns["time_s"].size == 96
    assert not np.isnan(columns["lat_deg"]).any()
    assert recording.first_at == datetime(2020, 6, 1, 14, 52, 40, tzinfo=UTC)
    assert columns["time_s"][-1] == 126.0
    assert np.nanmax(columns["distance_m"]) == pytest.approx(668.19, abs=0.01)
    assert geodesic_m(recording) == pytest.approx(901.66, abs=0.01)
    assert "heart rate" in {named.label for named in recording.named.values()} | {"heart rate"}


def test_a_fit_file_that_breaks_off_is_read_up_to_there():
    recording = track(FIT_SAMPLE.read_bytes()[:4000])
    assert 10 < recording.columns["time_s"].size < 96
    assert "breaks off after record" in recording.notes[0]


def test_a_changed_fit_file_is_said():
    content = bytearray(FIT_SAMPLE.read_bytes())
    content[-1] ^= 0xFF
    assert any("checksum" in note for note in track(bytes(content)).notes)


def test_nmea_as_printed():
    """The sentence of the Hohenheim wiki on NMEA 0183 (48.1173 N, 11.5166667 E, 545.4 m), and three of PISTON
    of 2019 (NOAA Physical Sciences Laboratory): steps of 0.614644 m and 0.627697 m by geographiclib 2.1."""
    height = track(
        b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
        b"$GPGGA,123520,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*4D\r\n"
    )
    assert height.columns["lat_deg"][0] == pytest.approx(48.1173, abs=1e-7)
    assert height.columns["lon_deg"][0] == pytest.approx(11.5166667, abs=1e-7)
    assert height.columns["altitude_m"][0] == 545.4
    assert height.first_at is None
    assert any("No sentence has a date" in note for note in height.notes)
    cruise = track(
        b"$GPRMC,195959.00,A,1813.38282955,N,12606.12767097,E,1.31,262.13,160919,3.0,W,D*21\r\n"
        b"$GPRMC,200000.00,A,1813.38274046,N,12606.12733500,E,0.60,234.78,160919,3.0,W,D*28\r\n"
        b"$GPGGA,200001.00,1813.38252394,N,12606.12706032,E,2,07,1.4,17.3,M,36.5,M,6.0,0129*72\r\n"
    )
    assert cruise.first_at == datetime(2019, 9, 16, 19, 59, 59, tzinfo=UTC)
    assert cruise.columns["time_s"].tolist() == [0, 1, 2]
    assert cruise.columns["speed_mps"][0] == pytest.approx(0.673922, abs=1e-6)
    assert geodesic_m(cruise) == pytest.approx(0.614644 + 0.627697, abs=1e-5)


def sentence(body):
    """A sentence with its checksum: the exclusive or of what stands between $ and * (NMEA 0183)."""
    total = 0
    for letter in body.encode():
        total ^= letter
    return f"${body}*{total:02X}\r\n".encode()


def test_nmea_over_midnight_with_a_wrong_checksum_and_no_fix():
    lines = [
        sentence("GNRMC,235958.00,A,6000.000,N,02500.000,E,10.0,0.0,170126,,,A"),
        sentence("GNGGA,235958.00,6000.000,N,02500.000,E,1,09,0.8,12.0,M,18.0,M,,"),
        sentence("GNGGA,235959.00,6000.003,N,02500.000,E,1,09,0.8,12.5,M,18.0,M,,"),
        sentence("GNRMC,235959.00,A,6000.003,N,02500.000,E,10.0,0.0,170126,,,A"),
        sentence("GNGGA,000000.00,6000.006,N,02500.000,E,1,09,0.8,13.0,M,18.0,M,,"),
        sentence("GNRMC,000000.00,A,6000.006,N,02500.000,E,10.0,0.0,180126,,,A"),
        sentence("GNRMC,000001.00,V,0000.000,N,00000.000,E,,,180126,,,N"),
        sentence("GNRMC,000002.00,A,6000.012,N,02500.000,E,10.0,0.0,180126,,,A").replace(b"6000", b"6100"),
        sentence("GNRMC,000003.00,A,6000.015,N,02500.000,E,10.0,0.0,180126,,,A"),
        b"$GNRMC,000004.00,A,60",
    ]
    recording = track(b"".join(lines))
    assert recording.columns["time_s"].tolist() == [0, 1, 2, 5]
    assert recording.columns["altitude_m"].tolist()[:3] == [12.0, 12.5, 13.0]
    assert recording.first_at == datetime(2026, 1, 17, 23, 59, 58, tzinfo=UTC)
    assert recording.notes[:2] == [
        "1 moment is without a fix and left out.",
        "2 sentences are left out, broken or with a wrong checksum, the first in line 8.",
    ]
    # 0.003 minutes of latitude a second are 5.57 m; 10 knots are 5.144 m/s.
    assert recording.columns["speed_mps"][0] == pytest.approx(5.1444, abs=1e-4)


TCX = b"""<?xml version="1.0"?><TrainingCenterDatabase xmlns="http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2">
<Activities><Activity Sport="Other"><Id>2026-01-17T11:00:00Z</Id><Lap StartTime="2026-01-17T11:00:00Z">
<Track>%s</Track></Lap>
</Activity></Activities></TrainingCenterDatabase>"""


def trackpoint(second, place=True, extra=""):
    position = f"<Position><LatitudeDegrees>{60 + second / 1e4}</LatitudeDegrees><LongitudeDegrees>25</LongitudeDegrees></Position>"  # noqa: E501
    return (
        f"<Trackpoint><Time>{(START + timedelta(seconds=second)).isoformat()}</Time>{position if place else ''}"
        f"<AltitudeMeters>{second}</AltitudeMeters><DistanceMeters>{second * 11.1}</DistanceMeters>"
        f"<HeartRateBpm><Value>90</Value></HeartRateBpm>{extra}</Trackpoint>"
    )


def test_tcx_with_a_lap_repeated_and_a_point_without_a_place():
    speed = "<Extensions><TPX xmlns='urn:x'><Speed>11.1</Speed><Watts>900</Watts></TPX></Extensions>"
    points = [trackpoint(0, extra=speed), trackpoint(1, False), trackpoint(2), trackpoint(2), trackpoint(3)]
    recording = track(TCX % "".join(points).encode())
    assert recording.columns["time_s"].tolist() == [0, 1, 2, 3]
    assert np.isnan(recording.columns["lat_deg"]).tolist() == [False, True, False, False]
    assert recording.columns["speed_mps"][0] == 11.1
    assert recording.columns["logged_power_w"][0] == 900
    assert recording.columns["distance_m"].tolist() == pytest.approx([0, 11.1, 22.2, 33.3])
    assert recording.named["other_1"] == ("heart rate", "1/min")
    assert recording.notes == ["1 point is left out, whose time stands still or runs backwards."]
    broken = track((TCX % "".join(points).encode())[:-250])
    assert any("breaks off at line" in note for note in broken.notes)


KML = """<kml xmlns="http://www.opengis.net/kml/2.2" xmlns:gx="http://www.google.com/kml/ext/2.2">
<Placemark>%s</Placemark></kml>"""


def test_kml_lines_tracks_and_timed_places():
    """OGC KML 2.2 (07-147r2), 10.7 and 16.9: tuples are longitude, latitude, height; the gx track has spaces."""
    line = track(
        (
            KML
            % "<LineString><coordinates>146.825,12.233,400 146.82,12.222,400 146.812,12.212,400</coordinates></LineString>"  # noqa: E501
        ).encode()
    )
    assert line.columns["lon_deg"][0] == 146.825
    assert line.columns["lat_deg"][0] == 12.233
    assert line.columns["altitude_m"].tolist() == [400, 400, 400]
    assert "time_s" not in line.columns
    timed = "<gx:Track>" + "".join(f"<when>2026-01-17T11:00:0{n}Z</when>" for n in range(3))
    timed += "".join(f"<gx:coord>25 {60 + n / 1e4} 12</gx:coord>" for n in range(3)) + "</gx:Track>"
    recording = track((KML % timed).encode())
    assert recording.columns["time_s"].tolist() == [0, 1, 2]
    assert recording.columns["lat_deg"].tolist() == [60, 60.0001, 60.0002]
    places = "</Placemark><Placemark>".join(
        f"<TimeStamp><when>2026-01-17T11:00:0{n}Z</when></TimeStamp><Point><coordinates>25,{60 + n / 1e4}</coordinates></Point>"  # noqa: E501
        for n in range(3)
    )
    assert track((KML % places).encode()).columns["time_s"].tolist() == [0, 1, 2]
    with pytest.raises(NotARecording, match="no track of two points"):
        track((KML % "<Point><coordinates>25,60</coordinates></Point>").encode())


def geojson(*features):
    return json.dumps({"type": "FeatureCollection", "features": features}).encode()


def test_geojson_lines_with_times_and_points_with_one():
    """RFC 7946, 3.1.1: longitude, latitude, height."""
    line = {
        "type": "Feature",
        "properties": {"coordTimes": [f"2026-01-17T11:00:0{n}Z" for n in range(3)]},
        "geometry": {"type": "LineString", "coordinates": [[25, 60 + n / 1e4, 10 + n] for n in range(3)]},
    }
    recording = track(geojson(line))
    assert recording.columns["time_s"].tolist() == [0, 1, 2]
    assert recording.columns["altitude_m"].tolist() == [10, 11, 12]
    points = [
        {
            "type": "Feature",
            "properties": {"time": f"2026-01-17T11:00:{n:02}Z", "speed": 5.5, "satellites": 9},
            "geometry": {"type": "Point", "coordinates": [25, 60 + n / 1e4]},
        }
        for n in range(20)
    ]
    recording = track(geojson(*points))
    assert recording.columns["speed_mps"].tolist() == [5.5] * 20
    assert recording.named["other_1"].label == "satellites"
    broken = track(geojson(*points)[:-400])
    assert 10 < broken.columns["time_s"].size < 20
    assert "breaks off at line 1, column" in broken.notes[0]


def zipped(**members):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in members.items():
            packed.writestr(name.replace("__", "."), content)
    return out.getvalue()


@pytest.mark.parametrize("packing", ["gzip", "zip", "zip with a read-me", "kmz"])
def test_every_kind_is_read_out_of_a_gzip_and_a_zip(packing):
    line = (KML % "<LineString><coordinates>25,60 25,60.001</coordinates></LineString>").encode()
    content = {
        "gzip": gzip.compress(line),
        "zip": zipped(ride__kml=line),
        "zip with a read-me": zipped(ride__kml=line, readme=b"hello"),
        "kmz": zipped(doc__kml=line),
    }[packing]
    assert track(content, "ride.kml.gz").columns["lat_deg"].tolist() == [60, 60.001]


def test_a_gzip_that_breaks_off_is_read_up_to_there():
    body = b"time,volts,amps\n" + b"".join(
        b"%d,52.%d,%d\n" % (n, n * 7919 % 97, n * 104729 % 89) for n in range(20_000)
    )
    content = gzip.compress(body)[:60_000]
    _, head, notes = table(content, "log.csv.gz")
    assert len(head.rows) == 20
    assert "The compressed file breaks off" in notes[0]


def test_what_is_packed_cannot_grow_without_end(monkeypatch):
    monkeypatch.setattr(unpacking, "LARGEST_BYTES", 1_000_000)
    monkeypatch.setattr(unpacking, "LARGEST_SHEET_BYTES", 1_000_000)
    bomb = b"0,0\n" * 1_000_000
    for content in (gzip.compress(bomb), zipped(log__csv=bomb), sheet([["0" * 2_000_000]])):
        kind, problem = kind_of_file(io.BytesIO(content), len(content), "log")
        assert kind == "csv"
        assert "more than 1 MB" in problem
    # A member whose directory says that it is small.
    lying = bytearray(sheet([["0" * 2_000_000]]))
    place = lying.index(b"PK\x01\x02", lying.index(b"xl/worksheets", lying.index(b"PK\x01\x02")) - 46)
    struct.pack_into("<I", lying, place + 24, 100)
    assert "damaged" in kind_of_file(io.BytesIO(bytes(lying)), len(lying), "log.xlsx")[1]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"%PDF-1.7 x", "a PDF"),
        (b"SQLite format 3\0" + bytes(100), "a database"),
        (zipped(a__csv=CSV, b__csv=CSV), "2 files that may be recordings (a.csv, b.csv)"),
        (gzip.compress(gzip.compress(CSV)), "a compressed file in another one"),
    ],
    ids=["PDF", "database", "two in a zip", "twice packed"],
)
def test_a_file_of_an_unknown_kind_says_which_are_read(session, sign_in, content, words):
    client = sign_in("recorder")
    answer = client.post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile("x.bin", content)})
    log = Log.objects.get()
    assert answer.url == log.get_absolute_url()
    assert words in log.problem
    assert "zip" in log.problem or "GPX, FIT, TCX, NMEA 0183, GeoJSON and KML" in log.problem
    assert log.original.read() == content
    assert log.problem[:40] in client.get(answer.url).content.decode().replace("&#x27;", "'")


@pytest.mark.parametrize(
    "text", [CSV, CSV.decode().encode("utf-16"), CSV.decode().encode("utf-16-le")], ids=["8", "16", "16le"]
)
def test_zero_bytes_at_the_end_are_ignored(text):
    _, head, notes = table(text + bytes(4096), "log.csv")
    assert len(head.rows) == 20
    assert notes[-1].startswith("It ends in 4,096 zero bytes")


def test_a_fit_file_becomes_a_log_with_its_own_values(session, sign_in):
    client = sign_in("recorder")
    client.post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile("ride.fit", FIT_SAMPLE.read_bytes())})
    log = Log.objects.get()
    assert (log.kind, log.state, log.row_count) == ("fit", "read", 96)
    assert any("positions make" in note for note in log.notes)
    page = client.get(log.get_absolute_url()).content.decode()
    assert "altitude" in page
    for label, _ in log.summary["named"].values():
        assert label in page
    charts = client.get(f"/sessions/{session.pk}/recordings/")
    assert "Altitude" in str(charts.context["charts"]["panels"]["panels"])


def test_cells_and_other_values_are_kept_and_drawn(session, sign_in):
    client = sign_in("recorder")
    names = "time,volts,amps,Cell 1 (V),Cell 2 (V),throttle (%),lean (deg)\n"
    rows = "".join(f"{n},52.1,{n % 9},3.7,3.{60 + n % 10},{n % 100},{n % 30}\n" for n in range(60))
    client.post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile("a.csv", (names + rows).encode())})
    log = Log.objects.get()
    page = client.get(f"/sessions/logs/{log.pk}/columns/")
    posted = {f"column_{column.index}": column.chosen for column in page.context["columns"]}
    assert posted["column_3"] == posted["column_4"] == "cell_voltage_v|V"
    assert posted["column_5"] == "throttle_share|%"
    assert posted["column_6"] == "ignore"
    answer = client.post(
        f"/sessions/logs/{log.pk}/columns/", posted | {"read": "yes", "keep_others": "yes", "reason": "So."}
    )
    assert answer.status_code == 302
    log = Log.objects.get()
    assert log.summary["columns"]["cell_voltage_v_2"] == [3.6, 3.69]
    assert log.summary["columns"]["throttle_share"] == [0, 0.59]
    assert log.summary["named"] == {"other_1": ["lean", "deg"]}
    charts = client.get(f"/sessions/{session.pk}/recordings/").context["charts"]
    assert {"Cells, V", "Throttle, %", "deg"} <= {panel["title"] for panel in charts["panels"]["panels"]}
