"""Logger files: whatever wrote them, they are read whole, or kept with a sentence that says what is wrong and where."""

import hashlib
import io
import re
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import resolve
from hypothesis import example, given
from hypothesis import strategies as st

from sessions.logs.column_guess import guess
from sessions.logs.columns import stored_columns
from sessions.logs.csv_layout import find_layout
from sessions.logs.csv_reading import LARGEST_BYTES, CsvRecording
from sessions.logs.ingest import store_log
from sessions.logs.series import NotARecording
from sessions.logs.unpacking import Unpacked
from sessions.models import ColumnMapping, Log
from tests.logs.whole_logs import packed_and_read, whole, whole_columns

DISCHARGE = Path(__file__).resolve().parents[1] / "reference/data/pybamm_discharge.csv"
GOOD = b"time (s),U (V),I (A)\n" + b"".join(b"%d,52.%d,1%d\n" % (n, n % 9, n % 7) for n in range(40))


def look(content, values=None):
    return find_layout(io.BytesIO(content), len(content), values)


def read(content, zone=UTC):
    head = look(content)
    unpacked = Unpacked(io.BytesIO(content), len(content), "log.csv", "csv")
    return whole(CsvRecording(unpacked, head.layout, guess(head.layout, head.rows), zone))


def send(client, session, content, name="log.csv"):
    return client.post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile(name, content)})


def post_columns(client, log, **changes):
    page = client.get(f"/sessions/logs/{log.pk}/columns/")
    layout = page.context["layout"]
    values = {f"column_{column.index}": column.chosen for column in page.context["columns"]}
    values |= {"encoding": layout.encoding, "delimiter": layout.delimiter, "decimal": layout.decimal}
    values |= {"first_line": layout.first_line, "read": "yes", "reason": "Tried on the bench."}
    return client.post(f"/sessions/logs/{log.pk}/columns/", values | changes)


def numbers_under(header, delimiter):
    width = header.count(delimiter) + 1
    rows = [delimiter.join(str(40 + (n * 7 + column) % 13) for column in range(width)) for n in range(200)]
    return "\r\n".join([header, *rows, ""])


@pytest.mark.parametrize(
    ("header", "encoding"),
    [
        ("时间(s),电池电压(V),电机转速", "gb18030"),
        ("時間,電圧,電流,速度,温度", "shift_jis"),
        ("시간,전압,전류,속도", "euc_kr"),
        ("Время;Напряжение;Ток;Скорость;Температура °C", "cp1251"),
        ("Zeit [s];Spannung [V];Temperatur [°C]", "cp1252"),
        ("time;volts;amps;temp °C", "cp1252"),
        ("t;µs;accel m/s²", "cp1252"),
        ("Tid;Spenning;Strøm;Høyde;Lufttemperatur °C", "cp1252"),
        ("Temps (s);Tension (V);Température (°C)", "cp1252"),
        ("Aika;Jännite;Virta;Lämpötila °C", "cp1252"),
        ("时间;电压;°C", "utf-8"),
    ],
)
def test_names_of_columns_come_through_in_the_encodings_loggers_use(header, encoding):
    delimiter = "," if "," in header else ";"
    head = look(numbers_under(header, delimiter).encode(encoding))
    assert head.layout.encoding == encoding
    assert head.layout.names == [re.sub(r" *[\[(].*", "", name) for name in header.split(delimiter)]


def test_an_encoding_that_is_not_found_can_be_chosen():
    content = numbers_under("Czas;Napięcie;Prędkość", ";").encode("cp1250")
    assert look(content).layout.names != ["Czas", "Napięcie", "Prędkość"]
    assert look(content, {"encoding": "cp1250"}).layout.names == ["Czas", "Napięcie", "Prędkość"]


WAYS = {
    "comma": GOOD,
    "semicolon and decimal comma": GOOD.replace(b",", b";").replace(b".", b","),
    "tab": GOOD.replace(b",", b"\t"),
    "bar": GOOD.replace(b",", b"|"),
    "spaces": GOOD.replace(b" (", b"_(").replace(b",", b"  "),
    "UTF-16": GOOD.decode().encode("utf-16"),
    "UTF-16 without a mark": GOOD.decode().encode("utf-16-le"),
    "UTF-8 with a mark": b"\xef\xbb\xbf" + GOOD,
    "line ends of Windows": GOOD.replace(b"\n", b"\r\n"),
    "lines before the header": b"Some logger 2.1\nserial;77\n\n" + GOOD,
    "a row of units": GOOD.replace(b"time (s),U (V),I (A)", b"time,U,I\ns,V,A"),
    "quoted": b"\n".join(b",".join(b'"%s"' % cell for cell in line.split(b",")) for line in GOOD.split(b"\n")),
    "a delimiter at the end": GOOD.replace(b"\n", b",\n"),
    "a text column": GOOD.replace(b"\n", b",riding\n"),
}


@pytest.mark.parametrize("way", WAYS)
def test_every_way_of_writing_gives_the_same_numbers(way):
    result = read(WAYS[way]).columns
    assert result["time_s"].tolist() == list(range(40))
    assert result["voltage_v"].tolist() == [float(f"52.{n % 9}") for n in range(40)]
    assert result["current_a"].tolist() == [10.0 + n % 7 for n in range(40)]


# datetime of the standard library, and zoneinfo: 11:05:30 in Oslo in January is 10:05:30 UTC.
TIMES = {
    "2026-01-17T11:05:30Z": datetime(2026, 1, 17, 11, 5, 30, tzinfo=UTC),
    "2026-01-17 11:05:30+02:00": datetime(2026, 1, 17, 9, 5, 30, tzinfo=UTC),
    "2026-01-17 11:05:30": datetime(2026, 1, 17, 10, 5, 30, tzinfo=UTC),
    "17.01.2026 11:05:30": datetime(2026, 1, 17, 10, 5, 30, tzinfo=UTC),
    "01/17/2026 11:05:30": datetime(2026, 1, 17, 10, 5, 30, tzinfo=UTC),
    "1768647930": datetime(2026, 1, 17, 11, 5, 30, tzinfo=UTC),
    "1768647930000": datetime(2026, 1, 17, 11, 5, 30, tzinfo=UTC),
}


@pytest.mark.parametrize("first", TIMES)
def test_times_in_every_form(first):
    step = 1000 if len(first) == 13 and first.isdigit() else 1
    rows = [str(int(first) + n * step) if first.isdigit() else first.replace(":30", f":{30 + n}") for n in range(8)]
    content = "time,volts\n" + "".join(f"{row},5{n}\n" for n, row in enumerate(rows))
    result = read(content.encode(), ZoneInfo("Europe/Oslo"))
    assert result.first_at == TIMES[first]
    assert result.columns["time_s"].tolist() == list(range(8))


def test_a_time_of_day_goes_on_past_midnight_and_a_date_beside_it_counts():
    clock = ["23:59:58", "23:59:59", "0:00:00", "0:00:01", "0:00:02"]
    result = read(("time,volts\n" + "".join(f"{item},50\n" for item in clock)).encode())
    assert result.columns["time_s"].tolist() == [0, 1, 2, 3, 4]
    assert result.first_at is None
    dated = "Date,Time,volts\n" + "".join(f"2026-01-17,11:05:{30 + n},5{n}\n" for n in range(5))
    assert read(dated.encode()).first_at == datetime(2026, 1, 17, 11, 5, 30, tzinfo=UTC)


def test_units_of_the_header_are_converted():
    # NIST SP 811 (2008), B.8: 1 mile/h = 0.44704 m/s; °F = 1.8 °C + 32.
    content = "t (ms),speed (mph),motor temp (°F),U (mV)\n" + "".join(f"{n * 500},10,212,52000\n" for n in range(5))
    result = read(content.encode()).columns
    assert result["time_s"].tolist() == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert result["speed_mps"] == pytest.approx(4.4704)
    assert result["motor_temperature_c"] == pytest.approx(100.0)
    assert result["voltage_v"] == pytest.approx(52.0)


def test_empty_and_bad_cells_cost_themselves_only():
    rows = [
        "0,52,10",
        "1,,11",
        "2,nan,12",
        "3,1e400,13",
        "4,52,oops",
        "5",
        "6,52,16",
        *(f"{n},52,1" for n in range(7, 60)),
    ]
    result = read(("t,volts,amps\n" + "\n".join(rows) + "\n").encode())
    assert result.columns["time_s"].size == 59
    assert np.isnan(result.columns["voltage_v"]).sum() == 3
    assert np.isnan(result.columns["current_a"]).sum() == 1
    data = " ".join(result.notes)
    for words in (
        "1 line is left out with too few columns",
        "line 7",
        "volts: 1 value is",
        "line 5: '1e400'",
        "line 6: 'oops'",
    ):
        assert words in data


MANY = b"t,volts\n" + b"".join(b"%d,52\n" % n for n in range(40))
HOSTILE = {
    "spaces": (b" \n \r\n\t ", "empty"),
    "a page named csv": (b"<!doctype html><html><body>Sign in</body></html>", "begins with <!doctype html>"),
    "mark-up bomb": (b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "&c;&c;&c;">]><a>&b;</a>', "begins with <?xml"),
    "a damaged zip": (b"PK\x03\x04" + bytes(300), "zip or spreadsheet is damaged"),
    "old spreadsheet": (b"\xd0\xcf\x11\xe0" + bytes(300), "spreadsheet"),
    "PDF": (b"%PDF-1.7 x", "a PDF"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(50), "a picture"),
    "compressed": (b"\x1f\x8b\x08" + bytes(50), "compressed"),
    "one column": (b"volts\n1\n2\n3\n", "one column only"),
    "words": (b"a,b\nc,d\ne,f\n", "None of the first"),
    "10,000 columns": (b",".join(b"%d" % n for n in range(10_000)) + b"\n", "10,000 columns"),
    "no time": (b"volts,amps\n5,5\n5,4\n5,3\n", "No column is taken for the time"),
    "time only": (b"t,x\n1,2\n2,3\n3,4\n", "No column is taken for a measured value"),
    "time backwards": (b"t,volts\n" + b"".join(b"%d,52\n" % -n for n in range(40)), "do not run forwards"),
    "one moment": (b"t,volts\n" + b"5,52\n" * 40, "do not run forwards"),
    "huge numbers": (MANY.replace(b",52", b",1e300"), "no pack voltage does"),
    "1e400": (MANY.replace(b",52", b",1e400"), "that are no numbers"),
    "nothing measured": (
        b"t,volts\n" + b"".join(b"%d,\n" % n for n in range(40)),
        "No column is taken for a measured value",
    ),
    "broken halfway": (MANY + b"\xff\xfe\xfd,broken\n" * 60 + b"x,y\n" * 30, "no numbers"),
    "words instead of volts": (MANY.replace(b",52", b",full"), "No column is taken for a measured value"),
    "header only": (b"t,volts\n", "no row of numbers below it"),
    "one row": (b"t,volts\n1,52\n", "do not run forwards"),
    "binary": (bytes(range(256)) * 20, "zero"),
    "very long line": (b"1,2," + b"7" * 200_000 + b"\n", "column"),
    "open quotation mark": (b't,volts\n"1,52\n' + b"2,52\n" * 2, ""),
    "latitude alone": (MANY.replace(b"volts", b"latitude"), "latitude and longitude"),
    "cut in a number": (b"t,volts\n1,5", "do not run forwards"),
    "lone marks": (b",;,;\n;,;,\n", ""),
    "formula": (b"t,volts\n=1+1,=cmd\n=2,=3\n", "None of the first"),
}


def test_a_file_is_read_up_to_a_zero_byte():
    """A logger that loses its power leaves zero bytes where the file system had room for what was never written."""
    rows = b"".join(b"%d,52\n" % n for n in range(30_000))
    for content, line in ((MANY.replace(b"\n9,5", b"\n9\0,5"), 11), (b"t,volts\n" + rows + b"30000,5\x002\n", 30_002)):
        recording = read(content)
        assert recording.columns["time_s"].size == line - 2
        assert f"breaks off in line {line}, at a zero byte" in recording.notes[0]


def test_bytes_that_are_no_text_cost_their_own_cell():
    rows = b"".join(b"%d,52\n" % n for n in range(40_000))
    recording = read(b"t,volts\n" + rows + b"40000,\xff\xff\n40001,53\n")
    assert recording.columns["time_s"].size == 40_002
    assert np.isnan(recording.columns["voltage_v"]).tolist()[-2:] == [True, False]
    assert "volts: 1 value is left out, the first near line 40002" in recording.notes[0]


def test_stamps_of_whole_seconds_leave_one_row_of_each():
    """Ten rows a second under a clock that shows seconds: a tenth of them is placed, and the note says so."""
    recording = read(b"t,volts\n" + b"".join(b"%d,52.%d\n" % (n // 10, n % 10) for n in range(300)))
    assert recording.columns["time_s"].tolist() == [float(n) for n in range(30)]
    assert "270 rows are left out, whose time stands still" in recording.notes[0]


def test_a_clock_that_began_again_starts_another_part():
    """Twice the same 40 s: the second part stands behind the first, by more than any gap that is summed over."""
    recording = read(GOOD + GOOD.split(b"\n", 1)[1])
    times = recording.columns["time_s"]
    assert times.size == 80
    assert times[40] - times[39] == 40.0
    assert np.diff(times[40:]).tolist() == [1.0] * 39
    assert "The clock began again near line 42" in recording.notes[0]


@pytest.mark.parametrize("wrong", [b"900000", b"-5000", b"2147483647"])
def test_an_isolated_wrong_stamp_costs_its_own_row(wrong):
    recording = read(GOOD.replace(b"\n20,52", b"\n" + wrong + b",52"))
    assert recording.columns["time_s"].tolist() == [float(n) for n in range(40) if n != 20]
    assert "line 22" in recording.notes[0]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_is_kept_with_what_is_wrong_and_where(session, sign_in, name):
    content, words = HOSTILE[name]
    client = sign_in("recorder")
    answer = send(client, session, content)
    assert answer.status_code == 302
    log = Log.objects.get()
    page = client.get(f"/sessions/logs/{log.pk}/columns/")
    assert page.status_code == 200
    problem = page.context["problem"]
    if not problem:
        answer = post_columns(client, log)
        assert answer.status_code == 422
        problem = answer.context["problem"]
    assert words in problem
    assert 20 < len(problem) < 400
    kept = Log.objects.get()
    assert kept.original.read() == content
    assert (kept.state, kept.row_count, kept.columns.name, kept.summary) == ("waiting", 0, "", {})
    assert client.get(kept.get_absolute_url()).status_code == 200
    assert client.get(f"/sessions/{session.pk}/recordings/").status_code == 200


def test_what_is_empty_or_too_large_is_refused_at_once(session, sign_in):
    assert "empty" in str(send(sign_in("recorder"), session, b"").context["form"].errors)
    declared = SimpleUploadedFile("log.csv", GOOD)
    declared.size = 2 * 1024**3
    with pytest.raises(NotARecording, match="2147 MB"):
        store_log(session, declared)
    assert not Log.objects.exists()


def test_a_request_may_bring_as_much_as_a_log_may_have(session):
    page = resolve(f"/sessions/{session.pk}/new-log/").func
    assert page.largest_request > LARGEST_BYTES


def recording_or_sentence(content):
    try:
        return read(content)
    except NotARecording as error:
        return str(error)


@given(st.binary(max_size=300))
def test_any_bytes_give_a_recording_or_a_sentence(content):
    result = recording_or_sentence(content)
    assert not isinstance(result, str) or len(result) > 20


CELL = st.one_of(
    st.floats().map(str), st.integers(-(10**30), 10**30).map(str), st.text(max_size=6),
    st.sampled_from(["", "nan", "1,5", "2026-01-17 11:05:30", "11:05", "1e400", '"', "-"]),
)  # fmt: skip


@example([["0.0", "0.0", "0.0"], ["", "0:H"], ["0.0", "0.0"]], ",")
@given(st.lists(st.lists(CELL, min_size=2, max_size=4), max_size=12), st.sampled_from([",", ";", "\t", " "]))
def test_any_table_gives_a_recording_or_a_sentence(rows, delimiter):
    text = "\n".join(["time,volts,amps", *(delimiter.join(row) for row in rows)])
    result = recording_or_sentence(text.encode("utf-8", "surrogatepass"))
    if isinstance(result, str):
        assert len(result) > 20
    else:
        assert (np.diff(result.columns["time_s"]) > 0).all()
        assert all(column.size == result.columns["time_s"].size for column in result.columns.values())


@given(st.lists(st.one_of(st.floats(-1e9, 1e9), st.just(float("nan"))), min_size=1, max_size=60))
def test_packed_columns_come_back_exactly(values):
    column = np.round(np.array(values), 6)
    result = packed_and_read({"voltage_v": column, "time_s": np.arange(column.size) / 3})
    np.testing.assert_array_equal(result["voltage_v"], column)
    np.testing.assert_array_equal(result["time_s"], np.round(np.arange(column.size) / 3, 6))


def test_columns_of_numpys_own_format_are_still_read():
    held = io.BytesIO()
    np.savez_compressed(held, time_s=[0.0, 1.0], lat_deg=[60.0, 60.1])
    assert zipfile.is_zipfile(held)
    assert stored_columns(held)["lat_deg"].tolist() == [60.0, 60.1]


def test_a_published_discharge_through_the_whole_way(session, sign_in):
    """pybamm 26.10.1.1, DFN, Chen2020 (J. Electrochem. Soc. 167 (2020) 080534), 1C: 4.991930 Ah, 17.505093 Wh."""
    client, content = sign_in("recorder"), DISCHARGE.read_bytes()
    send(client, session, content)
    log = Log.objects.get()
    chosen = {
        column.name: column.chosen for column in client.get(f"/sessions/logs/{log.pk}/columns/").context["columns"]
    }
    assert chosen["time_s"] == "time_s|seconds"
    answer = post_columns(client, log)
    assert answer.url == f"/sessions/{session.pk}/recordings/"
    log.refresh_from_db()
    assert log.sha256 == hashlib.sha256(content).hexdigest()
    assert log.facts.charge_ah == pytest.approx(4.99193023498, rel=1e-6)
    assert log.facts.energy_wh == pytest.approx(17.5050926881, rel=1e-5)
    page = client.get(f"/sessions/{session.pk}/")
    assert page.context["report"].get("energy_used").value == pytest.approx(17.5050926881, rel=1e-5)
    assert page.context["report"].get("energy_used").evidence == "integrated log"
    assert "energy_used" in {result.key for result in client.get(answer.url).context["results"]}


def test_what_columns_mean_is_remembered_and_can_be_changed(session, sign_in):
    client = sign_in("recorder")
    send(client, session, GOOD)
    first = Log.objects.get()
    post_columns(client, first, column_2="current_a|A|flipped")
    assert whole_columns(Log.objects.get())["current_a"][0] == -10.0
    assert ColumnMapping.objects.count() == 1
    send(client, session, GOOD + b"40,52,9\n", "next.csv")
    page = client.get(f"/sessions/logs/{Log.objects.get(name='next.csv').pk}/columns/")
    assert page.context["remembered"] is not None
    assert page.context["columns"][2].chosen == "current_a|A|flipped"
    # Read again with another meaning; one that fails leaves what was read.
    post_columns(client, first, column_2="motor_temperature_c|°C")
    first.refresh_from_db()
    assert set(whole_columns(first)) == {"time_s", "voltage_v", "motor_temperature_c"}
    assert post_columns(client, first, column_0="ignore").status_code == 422
    first.refresh_from_db()
    assert (first.state, first.row_count) == ("read", 40)
    assert "time" in first.problem


def test_a_log_without_a_clock_has_an_interval(session, sign_in):
    client = sign_in("recorder")
    send(client, session, b"volts,amps\n" + b"52,10\n51,11\n50,9\n")
    answer = post_columns(client, Log.objects.get(), interval_s="0,5")
    assert answer.status_code == 302
    assert whole_columns(Log.objects.get())["time_s"].tolist() == [0.0, 0.5, 1.0]
