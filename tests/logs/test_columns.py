"""The file of a log's columns: what goes in comes out, whole, by blocks and by windows, and no peak is lost."""

import io
import os
import zipfile
from pathlib import Path

import numpy as np
import pytest
from django.core.files.base import ContentFile
from hypothesis import given
from hypothesis import strategies as st

from calc.geodesy import track_speed_mps
from sessions.logs.channels import CHANNELS
from sessions.logs.columns import GROUP_ROWS, StoredColumns, WholeColumns, stored_columns
from tests.logs.packed_lines import unpacked
from tests.logs.whole_logs import packed, packed_and_read

# Written by the code of the revision 8c8d6b8 from the formulas of `first_kind`.
FIRST_KIND = Path(__file__).parent / "data/first_kind.columns.zip"


def first_kind():
    time_s = np.arange(3000) / 10
    voltage_v = np.round(52 + np.sin(time_s / 9), 3)
    voltage_v[100:120] = np.nan
    return {
        "time_s": time_s,
        "voltage_v": voltage_v,
        "current_a": np.round(30 + 20 * np.cos(time_s / 5), 2),
        "lat_deg": np.round(60 + time_s * 1e-5, 9),
        "lon_deg": np.round(25 + time_s * 2e-5, 9),
        "motor_speed_rpm": np.round(-1000 * np.sin(time_s / 20), 1),
    }


def ride(rows, seed=1):
    """Noise with gaps, at unequal steps."""
    chance = np.random.default_rng(seed)
    columns = {
        "time_s": np.round(np.cumsum(chance.choice([0.01, 0.02, 3.0], rows, p=[0.6, 0.399, 0.001])), 2),
        "voltage_v": np.round(chance.normal(52, 1, rows), 3),
        "current_a": np.round(chance.normal(20, 30, rows), 2),
        "motor_speed_rpm": np.round(chance.normal(0, 900, rows)),
        "lat_deg": np.round(60 + np.cumsum(chance.normal(0, 1e-6, rows)), 9),
        "lon_deg": np.round(25 + np.cumsum(chance.normal(0, 1e-6, rows)), 9),
    }
    for name in ("voltage_v", "lat_deg"):
        columns[name][chance.random(rows) < 0.2] = np.nan
    return columns


def in_blocks(columns, sizes):
    start = 0
    for size in [*sizes, columns["time_s"].size]:
        block = {name: values[start : start + size] for name, values in columns.items()}
        if block["time_s"].size:
            yield block
        start += size


@pytest.mark.parametrize("sizes", [(), (1, 1, 40_000), (GROUP_ROWS, GROUP_ROWS), (200, 2 * GROUP_ROWS + 7)])
def test_columns_come_back_exactly_however_they_came(sizes):
    columns = ride(2 * GROUP_ROWS + 900)
    with packed_and_read(*in_blocks(columns, sizes)) as stored:
        assert set(stored) == set(columns)
        assert stored.row_count == columns["time_s"].size
        assert stored.span_s == (columns["time_s"][0], columns["time_s"][-1])
        for name, values in columns.items():
            np.testing.assert_array_equal(stored[name], values)
            parts = [block[name] for block in stored.blocks([name])]
            np.testing.assert_array_equal(np.concatenate(parts), values)
        with pytest.raises(KeyError):
            stored["speed_mps"]


def test_the_file_does_not_depend_on_how_the_rows_came():
    columns = ride(GROUP_ROWS + 900)
    whole, cut = packed_and_read(columns), packed_and_read(*in_blocks(columns, (1, 300, 4, 50_000)))
    for channel in CHANNELS.values():
        item, other = whole.extremes(channel), cut.extremes(channel)
        assert (item is None) == (other is None)
        if item is not None:
            np.testing.assert_array_equal(item[0], other[0])
            assert item[1] == other[1]


@pytest.mark.parametrize("from_s", [-50.0, 0.0, 611.5, 1700.0, 1e6])
@pytest.mark.parametrize("length_s", [0.001, 30.0, 1300.0, 1e7])
def test_a_window_holds_every_row_of_its_time_and_those_beside_it(from_s, length_s):
    columns = ride(3 * GROUP_ROWS)
    times = columns["time_s"]
    to_s = from_s + length_s
    with packed_and_read(columns) as stored:
        window = stored.between(["time_s", "current_a"], from_s, to_s)
        assert window["time_s"].size == stored.rows_between(from_s, to_s)
    first = max(int(np.searchsorted(times, from_s)) - 1, 0)
    last = min(int(np.searchsorted(times, to_s, side="right")) + 1, times.size)
    held = np.isin(times[first:last], window["time_s"])
    assert held.all()
    start = int(np.searchsorted(times, window["time_s"][0]))
    np.testing.assert_array_equal(window["current_a"], columns["current_a"][start : start + window["time_s"].size])


def test_a_window_reads_the_columns_and_groups_it_needs_and_no_other():
    file = packed(ride(6 * GROUP_ROWS))
    size = len(file.getvalue())

    class Counting(io.BytesIO):
        read_bytes = 0

        def read(self, *arguments):
            content = super().read(*arguments)
            self.read_bytes += len(content)
            return content

    counting = Counting(file.getvalue())
    with stored_columns(counting) as stored:
        stored.between(["time_s", "current_a"], 1000.0, 1001.0)
        assert counting.read_bytes < size / 10


def expected_samples(columns, name):
    if name == "power_w":
        good = ~(np.isnan(columns["voltage_v"]) | np.isnan(columns["current_a"]))
        return columns["time_s"][good], (columns["voltage_v"] * columns["current_a"])[good]
    if name == "motor_turns_rpm":
        return columns["time_s"], np.abs(columns["motor_speed_rpm"])
    if name == "track_speed_mps":
        good = ~(np.isnan(columns["lat_deg"]) | np.isnan(columns["lon_deg"]))
        place = (columns[each][good] for each in ("time_s", "lat_deg", "lon_deg"))
        return columns["time_s"][good], track_speed_mps(*place)
    good = ~np.isnan(columns[name])
    return columns["time_s"][good], columns[name][good]


@pytest.mark.parametrize("name", ["voltage_v", "current_a", "power_w", "motor_turns_rpm", "track_speed_mps"])
def test_the_prepared_extremes_are_those_of_the_rows(name):
    columns = ride(GROUP_ROWS + 5000)
    times, values = expected_samples(columns, name)
    with packed_and_read(*in_blocks(columns, (10_000, 1, 2, 30_000))) as stored:
        rows, ends = stored.extremes(CHANNELS[name])
    # The plane of a track's places is laid through another middle in each block: some parts in a million.
    near = 1e-5 if name == "track_speed_mps" else 0.0
    assert ends == pytest.approx(np.array([[times[0], values[0]], [times[-1], values[-1]]]), rel=near, abs=0)
    stretches = [slice(start, start + 128) for start in range(0, values.size, 128)]
    assert rows.shape == (len(stretches), 4)
    for row, stretch in zip(rows, stretches, strict=True):
        assert sorted(row[[1, 3]]) == pytest.approx([values[stretch].min(), values[stretch].max()], rel=near, abs=0)
        assert row[0] <= row[2]
        assert {row[0], row[2]} <= set(times[stretch])


@given(st.lists(st.one_of(st.floats(-1e9, 1e9), st.just(float("nan"))), min_size=1, max_size=300))
def test_any_column_has_its_extremes(values):
    voltage_v = np.round(np.array(values), 6)
    times = np.arange(voltage_v.size, dtype=float)
    with packed_and_read({"time_s": times, "voltage_v": voltage_v}) as stored:
        known = voltage_v[~np.isnan(voltage_v)]
        assert stored.has_samples(CHANNELS["voltage_v"]) == bool(known.size)
        rows, _ = stored.extremes(CHANNELS["voltage_v"])
        if known.size:
            assert (rows[:, [1, 3]].min(), rows[:, [1, 3]].max()) == (known.min(), known.max())


def test_a_file_of_the_first_kind_is_read_as_before():
    with stored_columns(FIRST_KIND.open("rb")) as stored:
        assert isinstance(stored, WholeColumns)
        columns = first_kind()
        assert set(stored) == set(columns)
        for name, values in columns.items():
            np.testing.assert_array_equal(stored[name], values)
        assert (stored.row_count, stored.span_s) == (3000, (0.0, 299.9))
        assert stored.between(["time_s"], 5.0, 6.0)["time_s"].size == 3000


def test_pages_draw_a_log_of_the_first_kind_as_one_of_the_second(session, sign_in):
    from sessions.models import Log

    type(session.revision).objects.update(drive_ratio=4.0, rolling_circumference_m=2.0)
    client = sign_in("reader")
    drawn = []
    for content in (FIRST_KIND.read_bytes(), packed(first_kind()).getvalue()):
        Log.objects.all().delete()
        log = Log(session=session, kind="csv", state="read", row_count=3000, size_bytes=9, sha256="0" * 64, name="a")
        log.columns.save("", ContentFile(content), save=False)
        log.save()
        page = client.get(f"/sessions/{session.pk}/recordings/")
        window = client.get(f"/sessions/{session.pk}/recordings/window/", {"from_s": "100", "to_s": "160"})
        drawn.append((page.context["pictures"], page.context["charts"], window.json()))
        assert client.get(log.get_absolute_url()).status_code == 200
    assert drawn[0] == drawn[1]
    assert len(drawn[0][2]["lines"]) == 5


@pytest.mark.parametrize(("from_s", "to_s"), [(-1e5, 1e5), (0.0, 2500.0), (1200.0, 1260.0), (3000.25, 3000.75)])
def test_no_peak_is_lost_in_any_window(session, sign_in, from_s, to_s):
    from sessions.models import Log

    columns = ride(4 * GROUP_ROWS)
    log = Log(session=session, kind="csv", state="read", row_count=9, size_bytes=9, sha256="0" * 64, name="a")
    log.columns.save("", ContentFile(packed(columns).getvalue()), save=False)
    log.save()
    address = f"/sessions/{session.pk}/recordings/window/"
    lines = sign_in("reader").get(address, {"from_s": from_s, "to_s": to_s}).json()["lines"]
    names = ["track_speed_mps", "voltage_v", "current_a", "power_w"]
    for name, line in zip(names, lines, strict=True):
        times, values = expected_samples(columns, name)
        inside = (times >= from_s) & (times <= to_s)
        along, shown = unpacked(line)
        assert 2 <= shown.size <= 2002
        unit = 3.6 if name == "track_speed_mps" else 0.001 if name == "power_w" else 1.0
        assert shown.max() >= values[inside].max() * unit - 0.01
        assert shown.min() <= values[inside].min() * unit + 0.01
        assert (np.diff(along) >= 0).all()
        # The line reaches the edges of the window, or the ends of the log.
        assert along[0] <= max(from_s, times[0]) + 0.001
        assert along[-1] >= min(to_s, times[-1]) - 0.001


def test_the_times_of_a_log_are_decoded_once(monkeypatch):
    columns = ride(3 * GROUP_ROWS)
    with stored_columns(packed(columns)) as stored:
        decoded, column = [], StoredColumns._column
        monkeypatch.setattr(
            StoredColumns, "_column", lambda self, number, name: decoded.append(name) or column(self, number, name)
        )
        for _ in range(3):
            np.testing.assert_array_equal(stored["time_s"], columns["time_s"])
        assert decoded == ["time_s"] * 3  # one for each group of rows
        with pytest.raises(ValueError, match="read-only"):
            stored["time_s"][0] = 1.0


class Hostile:
    """An object that does something when it is unpickled."""

    def __init__(self, path):
        self.path = str(path)

    def __reduce__(self):
        return os.mkdir, (self.path,)


def test_an_array_with_objects_is_refused_and_nothing_in_it_runs(tmp_path):
    """ASVS 1.5.2: a file of columns may hold numbers only, whatever somebody put into it."""
    columns, trap = ride(50), tmp_path / "ran"
    good, bad = packed(columns), io.BytesIO()
    poison = io.BytesIO()
    np.lib.format.write_array(poison, np.array([Hostile(trap)] * 50, dtype=object), allow_pickle=True)
    with zipfile.ZipFile(good) as source, zipfile.ZipFile(bad, "w") as target:
        names = [name for name in source.namelist() if "voltage_v" in name and name.endswith(".npy")]
        assert names
        for name in source.namelist():
            target.writestr(name, poison.getvalue() if name in names else source.read(name))
    bad.seek(0)
    with pytest.raises(ValueError, match="Object arrays cannot be loaded"), stored_columns(bad) as stored:
        dict(stored)
    assert not trap.exists()
    np.lib.format.read_array(io.BytesIO(poison.getvalue()), allow_pickle=True)
    assert trap.exists(), "with objects allowed, it would have run"
