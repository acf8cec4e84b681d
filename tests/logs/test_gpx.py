"""Satellite tracks: read whole or refused with a sentence, measured against other libraries, crossed by gates."""

import hashlib
import io
import itertools
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import gpxpy
import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from sessions.logs.gpx import read_gpx
from sessions.logs.series import NotARecording
from sessions.models import Log

SAMPLE = Path(__file__).resolve().parents[1] / "reference/data/sample.gpx"
HEAD = '<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="t"><trk><trkseg>'
FOOT = "</trkseg></trk></gpx>"
START = datetime(2026, 1, 17, 11, 0, tzinfo=UTC)


def point(lat, lon, second=None, extra=""):
    stamp = "" if second is None else f"<time>{(START + timedelta(seconds=second)).isoformat()}</time>"
    return f'<trkpt lat="{lat}" lon="{lon}"><ele>12</ele>{stamp}{extra}</trkpt>'


def gpx(*points):
    return (HEAD + "".join(points) + FOOT).encode()


def read(content):
    return read_gpx(io.BytesIO(content), len(content))


def send(client, session, content, name="ride.gpx"):
    return client.post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile(name, content)})


def test_the_length_is_that_of_other_libraries(session, sign_in):
    content = SAMPLE.read_bytes()
    assert send(sign_in("recorder"), session, content).status_code == 302
    log = Log.objects.get()
    data = gpxpy.parse(content.decode())
    places = [(item.latitude, item.longitude) for item in data.walk(only_points=True)]
    # geographiclib 2.1: the geodesic of each leg; gpxpy 1.6 takes a sphere of 6,378 km, 0.17 % short at 60° N.
    legs = [Geodesic.WGS84.Inverse(*item, *other)["s12"] for item, other in itertools.pairwise(places)]
    assert log.length_m == pytest.approx(sum(legs), rel=1e-6)
    assert log.length_m == pytest.approx(data.length_2d(), rel=3e-3)
    assert (log.row_count, log.duration_s) == (len(places), data.get_duration())


def test_the_file_is_kept_byte_for_byte_and_once(session, sign_in):
    client, content = sign_in("recorder"), SAMPLE.read_bytes()
    send(client, session, content)
    log = Log.objects.get()
    answer = client.get(f"/sessions/logs/{log.pk}/original/")
    assert b"".join(answer.streaming_content) == content
    assert log.sha256 == hashlib.sha256(content).hexdigest()
    assert "attachment" in answer.headers["Content-Disposition"]
    assert answer.headers["Content-Type"] == "application/octet-stream"
    again = send(client, session, content)
    assert "stored with this session already" in str(again.context["form"].errors)
    assert Log.objects.count() == 1


def test_files_go_with_their_session(session, sign_in, settings, django_capture_on_commit_callbacks):
    send(sign_in("recorder"), session, SAMPLE.read_bytes())
    folder = Path(settings.MEDIA_ROOT) / "logs"
    assert len(list(folder.iterdir())) == 2
    with django_capture_on_commit_callbacks(execute=True):
        session.delete()
    assert list(folder.iterdir()) == []


def test_extensions_waypoints_and_routes_are_passed_over():
    extra = '<extensions><x:hr xmlns:x="urn:x"><x:time>nonsense</x:time><x:trkpt lat="99"/></x:hr></extensions>'
    content = gpx(point(60, 25, 0, extra), point(60.001, 25, 10, extra))
    content = content.replace(b"<trk>", b'<wpt lat="0" lon="0"/><rte><rtept lat="1" lon="1"/></rte><trk>')
    track = read(content)
    assert track.columns["lat_deg"].tolist() == [60.0, 60.001]
    assert track.columns["time_s"].tolist() == [0.0, 10.0]
    assert track.notes == []


def test_times_that_stand_still_or_are_missing_are_left_out_and_said():
    rows = [(60, 0), (60.001, 10), (60.002, 10), (60.003, None), (60.004, 9), (60.005, 20)]
    track = read(gpx(*(point(latitude, 25, second) for latitude, second in rows)))
    assert track.columns["time_s"].tolist() == [0.0, 10.0, 20.0]
    assert track.notes == [
        "1 point is left out, without a time.",
        "2 points are left out, whose time stands still or runs backwards.",
    ]


def test_a_track_with_hardly_any_times_has_a_length_only():
    track = read(gpx(point(60, 25, 0), point(60.001, 25), point(60.002, 25), point(60.003, 25)))
    assert track.columns["lat_deg"].size == 4
    assert "time_s" not in track.columns
    assert "1 of its 4 points have a time" in track.notes[0]


def test_a_track_at_one_moment_has_a_length_only():
    """As in a real file, whose every point was written in the year 1901."""
    track = read(gpx(*(point(60 + n / 1e4, 25, 5) for n in range(9))))
    assert track.columns["lat_deg"].size == 9
    assert "9 of its 9 points have hardly any times of their own" in track.notes[0]


def test_a_track_without_times_has_a_length_only():
    track = read(gpx(point(60, 25), point(60.001, 25)))
    assert track.first_at is None
    assert "time_s" not in track.columns
    assert "no times" in track.notes[0]


@pytest.mark.parametrize(
    "namespace", [b"/GPX/1/1", b"/GPX/1/0", b"/GPX/2/0-draft", b""], ids=["1.1", "1.0", "unknown", "none"]
)
def test_every_version_and_namespace_is_read(namespace):
    content = gpx(point(60, 25, 0, "<speed>7.5</speed>"), point(60.001, 25, 10))
    whole = b' xmlns="http://www.topografix.com/GPX/1/1"'
    track = read(content.replace(whole, whole.replace(b"/GPX/1/1", namespace) if namespace else b""))
    assert track.columns["lat_deg"].tolist() == [60.0, 60.001]
    assert track.columns["altitude_m"].tolist() == [12.0, 12.0]
    assert track.columns["speed_mps"][0] == 7.5
    assert np.isnan(track.columns["speed_mps"][1])


def test_speed_height_and_extensions_are_those_of_another_library():
    """Written by gpxpy 1.6.2, in both versions; the extension is the common one of GPX 1.1, whose unit is m/s."""
    written = gpxpy.gpx.GPX()
    segment = gpxpy.gpx.GPXTrackSegment()
    for step in range(5):
        segment.points.append(
            gpxpy.gpx.GPXTrackPoint(
                60 + step / 1e4, 25, elevation=10 + step, time=START + timedelta(seconds=step), speed=step + 0.25
            )
        )
    written.tracks.append(gpxpy.gpx.GPXTrack())
    written.tracks[0].segments.append(segment)
    old = read(written.to_xml(version="1.0").encode())
    assert old.columns["speed_mps"].tolist() == [0.25, 1.25, 2.25, 3.25, 4.25]
    assert old.columns["altitude_m"].tolist() == [10, 11, 12, 13, 14]
    extension = (
        "<extensions><x:TrackPointExtension xmlns:x='urn:x'><x:speed>3.5</x:speed><x:atemp>-8</x:atemp>"
        "</x:TrackPointExtension></extensions>"
    )
    new = read(gpx(point(60, 25, 0, extension), point(60.001, 25, 10, extension)))
    assert new.columns["speed_mps"].tolist() == [3.5, 3.5]
    assert new.columns["other_1"].tolist() == [-8, -8]
    assert new.named["other_1"] == ("air temperature", "°C")


def test_a_file_that_breaks_off_is_read_up_to_there():
    whole = gpx(*(point(60 + step / 1e4, 25, step) for step in range(50)))
    track = read(whole[:-300])
    assert 40 < track.columns["lat_deg"].size < 50
    assert "breaks off at line 1, column" in track.notes[0]


def test_isolated_wrong_points_are_left_out_and_counted():
    points = [point(60 + step / 1e4, 25, step) for step in range(50)]
    points[10] = point(960, 25, 10)
    points[20] = point(60.002, 25, 9000)
    points[30] = point(60.003, 25, -9000)
    track = read(gpx(*points))
    assert track.columns["time_s"].tolist() == [float(step) for step in range(50) if step not in (10, 20, 30)]
    assert any("1 point is left out: Point 11 has lat='960'" in note for note in track.notes)
    assert any("1 point is left out, with a time far from those beside" in note for note in track.notes)


BILLION = b"""<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;">]><gpx xmlns="http://www.topografix.com/GPX/1/1">&c;</gpx>"""
TWO = point(60, 25, 0) + point(60.001, 25, 10)
HOSTILE = {
    "empty": (b"", "empty"),
    "spaces": (b"   \n ", "not XML"),
    "html named gpx": (b"<html><body>Sign in</body></html>", "begins with <html>"),
    "broken html": (b"<!doctype html><p>Sign in<br>", "not XML at line 1"),
    "csv named gpx": (b"time,lat,lon\n1,2,3\n", "not XML at line 1"),
    "cut in a point": (gpx(TWO)[: len(HEAD) + 20], "breaks off"),
    "NUL bytes": (gpx(TWO).replace(b"<ele>", b"<e\0le>"), "not XML"),
    "billion laughs": (BILLION, "document type"),
    "outside entity": (b'<!DOCTYPE gpx SYSTEM "file:///etc/passwd"><gpx/>', "document type"),
    "wrong encoding": (gpx(TWO).replace(b'"1.0"?', b'"1.0" encoding="no-such"?'), "encoding"),
    "bytes of another encoding": (gpx(TWO).replace(b"<ele>12", b"<ele>\xff\xfe"), "not XML"),
    "no points": (gpx(), "no track of two points"),
    "one point": (gpx(point(60, 25, 0)), "no track of two points"),
    "only waypoints": (gpx().replace(b"<trk>", b'<wpt lat="1" lon="1"/><trk>'), "no track of two points"),
    "latitude 91": (gpx(point(60, 25, 0), point(91, 25, 1)), "Point 2 has lat='91'"),
    "longitude nonsense": (gpx(point(60, "east", 0), TWO), "Point 1 has lon='east'"),
    "latitude 1e400": (gpx(point("1e400", 25, 0), TWO), "no lat in degrees"),
    "latitude nan": (gpx(point("nan", 25, 0), TWO), "no lat in degrees"),
    "latitude missing": (gpx('<trkpt lon="25"/>', TWO), "Point 1 has lat='None'"),
    "decimal comma": (gpx('<trkpt lat="60,1" lon="25"/>', TWO), "Point 1"),
    "time nonsense": (gpx(TWO, '<trkpt lat="60" lon="25"><time>noon</time></trkpt>'), "Point 3 has the time 'noon'"),
    "time of year 99999": (gpx(TWO, '<trkpt lat="60" lon="25"><time>99999-01-01T00:00:00Z</time></trkpt>'), "Point 3"),
    "time backwards": (gpx(*(point(60 + n / 1e4, 25, -n) for n in range(9))), "do not run forwards"),
    "image": (b"\x89PNG\r\n\x1a\n" + bytes(200), "not XML"),
    "zip": (b"PK\x03\x04" + bytes(200), "zip or spreadsheet is damaged"),
    "deep nesting": (b"<a>" * 50_000, "begins with <a>"),
    "very long attribute": (gpx(f'<trkpt lat="{"6" * 100_000}" lon="25"/>', TWO), "Point 1"),
}


@pytest.mark.parametrize("name", [name for name in HOSTILE if name != "empty"])
def test_a_hostile_file_is_kept_with_what_is_wrong_and_where(session, sign_in, name):
    content, words = HOSTILE[name]
    client = sign_in("recorder")
    answer = send(client, session, content)
    assert answer.status_code == 302
    log = Log.objects.get()
    page = client.get(answer.url)
    assert page.status_code == 200
    assert words in log.problem
    assert escape(log.problem, {"'": "&#x27;", '"': "&quot;"}) in page.content.decode()
    assert len(log.problem) < 600
    # Kept for another try, and nothing of it read in.
    assert log.original.read() == content
    assert (log.state, log.row_count, log.columns.name, log.summary) == ("waiting", 0, "", {})
    assert client.post(f"/sessions/logs/{log.pk}/read/").status_code == 302
    assert Log.objects.get().problem == log.problem


def test_a_file_that_is_gone_is_said(session, sign_in):
    client = sign_in("recorder")
    send(client, session, HOSTILE["csv named gpx"][0])
    log = Log.objects.get()
    log.original.storage.delete(log.original.name)
    assert client.post(f"/sessions/logs/{log.pk}/read/").status_code == 302
    assert "is gone from the data folder" in client.get(log.get_absolute_url()).content.decode()


def test_an_empty_file_is_refused(session, sign_in):
    answer = send(sign_in("recorder"), session, b"")
    assert answer.status_code == 422
    assert "empty" in str(answer.context["form"].errors["file"])
    assert not Log.objects.exists()


def test_a_file_that_is_too_large_is_refused_before_it_is_read():
    with pytest.raises(NotARecording, match="at most 63 MB"):
        read_gpx(io.BytesIO(b""), 10**9)


def track_or_sentence(content):
    try:
        return read(content)
    except NotARecording as error:
        return str(error)


@given(st.binary(max_size=400))
def test_any_bytes_give_a_track_or_a_sentence(content):
    result = track_or_sentence(content)
    assert not isinstance(result, str) or len(result) > 20


@given(st.lists(st.tuples(st.text(max_size=8), st.text(max_size=8), st.text(max_size=25)), max_size=6))
def test_any_points_give_a_track_or_a_sentence(rows):
    points = [
        f"<trkpt lat={quoteattr(lat)} lon={quoteattr(lon)}><time>{escape(stamp)}</time></trkpt>"
        for lat, lon, stamp in rows
    ]
    result = track_or_sentence(gpx(*points))
    assert not isinstance(result, str) or len(result) > 20


def test_the_drawing_is_thinned_and_in_metres(session, sign_in):
    send(sign_in("recorder"), session, gpx(*(point(60 + n / 1e6, 25, n) for n in range(5000))))
    page = sign_in("reader").get(Log.objects.get().get_absolute_url())
    [line] = page.context["figures"]["track"]["data"]
    assert 1000 < len(line["y"]) <= 2000
    # geographiclib 2.1: 0.001° of latitude at 60° N is 111.41 m.
    assert np.interp(1000 / 3, range(len(line["y"])), line["y"]) == pytest.approx(111.41, rel=1e-2)
