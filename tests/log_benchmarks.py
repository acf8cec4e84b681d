"""Speed and memory of logs, as ratios measured in one run: `python -m tests.log_benchmarks`.

Each ratio sets our code against the least that the same work can cost on this machine at this moment. Processor time is
compared, which another program on the machine hardly changes. Ends with 1 where a goal is missed.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from pathlib import Path

# More threads of the linear algebra only wait for each other; the import command is run with one, too.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

ROWS, MOST_ROWS, POINTS = 1_000_000, 3_000_000, 200_000
COLUMNS = ("time_s", "voltage_v", "current_a", "speed_mps", "wheel_speed_mps", "motor_temperature_c")
UNITS = ("seconds", "V", "A", "m/s", "m/s", "°C")


class Goals:
    def __init__(self) -> None:
        self.missed = 0

    def hold(self, what: str, value: float, most: float, unit: str = "times") -> None:
        misses = value > most
        self.missed += misses
        print(f"{'MISSED' if misses else 'ok':7} {what}: {value:.2f} {unit} (goal: at most {most:g})", flush=True)


def processor_s(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def ratio(ours: Callable[[], object], bare: Callable[[], object], runs: int = 5) -> float:
    """Taken by turns, so that both meet the same machine; the least of each."""
    pairs = [(processor_s(ours), processor_s(bare)) for _ in range(runs)]
    return min(pair[0] for pair in pairs) / min(pair[1] for pair in pairs)


def write_logger_file(path: Path, rows: int) -> None:
    chance = np.random.default_rng(1)
    with path.open("w") as file:
        file.write("t,volts,amps,speed,wheel,temp\n")
        for start in range(0, rows, 100_000):
            size = min(100_000, rows - start)
            row = np.arange(start, start + size)
            table = np.column_stack([
                row / 100, 52 + chance.normal(0, 0.05, size), chance.normal(30, 20, size),
                np.abs(chance.normal(10, 2, size)), np.abs(chance.normal(11, 2, size)), 20 + row / 50_000,
            ])  # fmt: skip
            np.savetxt(file, table, delimiter=",", fmt=("%.2f", "%.3f", "%.2f", "%.3f", "%.3f", "%.1f"))


def write_track(path: Path, points: int) -> None:
    with path.open("w") as file:
        file.write('<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="t">')
        file.write("<trk><trkseg>\n")
        for n in range(points):
            stamp = f"2026-01-{17 + n // 86400:02d}T{n // 3600 % 24:02d}:{n // 60 % 60:02d}:{n % 60:02d}Z"
            place = f'lat="{60 + n * 5e-5:.6f}" lon="{25 + n * 1e-6:.6f}"'
            file.write(f"<trkpt {place}><ele>12.3</ele><time>{stamp}</time></trkpt>\n")
        file.write("</trkseg></trk></gpx>")


def whole_import(path: Path, kind: str) -> Callable[[], None]:
    """From the stored file to what is stored of it: columns, extremes of every line, and the summary. How the file is
    written and what its columns mean was chosen on a page before."""
    from sessions.logs.csv_layout import find_layout
    from sessions.logs.ingest import pack
    from sessions.logs.meanings import ColumnChoice, Mapping
    from sessions.models import Log

    size = path.stat().st_size
    chosen = Mapping(tuple(ColumnChoice(n, *each) for n, each in enumerate(zip(COLUMNS, UNITS, strict=True))))
    with path.open("rb") as file:
        layout = find_layout(file, size).layout if kind == "csv" else None

    def work() -> None:
        with path.open("rb") as file, tempfile.TemporaryFile() as packed:
            pack(Log(kind=kind, size_bytes=size), file, packed, layout, chosen if layout else None)

    return work


def bare_track(path: Path) -> None:
    for _, element in ElementTree.iterparse(path):
        if element.tag.endswith("trkpt"):
            element.clear()


def peak_mb(path: Path) -> tuple[float, float]:
    """Memory that an import takes above that of its process while idle, and that of the process in all [MB]."""
    output = subprocess.run(
        [sys.executable, "-m", "tests.log_benchmarks", str(path)], stdout=subprocess.PIPE, check=True
    )
    idle, most = json.loads(output.stdout)
    return most - idle, most


def measure_memory(path: Path) -> None:
    """For a process of its own: its memory before the import and at most."""
    begin()
    work = whole_import(path, path.suffix.removeprefix("."))

    def of_process(what: str) -> float:
        # Not the kernel's figure for a process that ended: that one begins with the memory of who started it.
        lines = Path("/proc/self/status").read_text().splitlines()
        return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(what))

    idle = of_process("VmRSS:")
    work()
    print(json.dumps([idle, of_process("VmHWM:")]))


def pans(goals: Goals) -> None:
    """Requests for a stretch of the chart of a million rows of eight columns, in a server of the test client."""
    from django.core.files.base import ContentFile
    from django.test import Client

    from buildlog.models import Account, Revision, Vehicle
    from sessions.logs.columns import ColumnWriter
    from sessions.models import Log, Session, Venue

    chance = np.random.default_rng(1)
    row = np.arange(ROWS)
    columns = {
        "time_s": row / 100,
        "voltage_v": np.round(52 + chance.normal(0, 0.05, ROWS), 3),
        "current_a": np.round(chance.normal(30, 20, ROWS), 2),
        "speed_mps": np.round(np.abs(chance.normal(10, 2, ROWS)), 3),
        "wheel_speed_mps": np.round(np.abs(chance.normal(11, 2, ROWS)), 3),
        **{f"{name}_temperature_c": np.round(20 + row / 50_000, 1) for name in ("battery", "motor", "controller")},
    }
    file = io.BytesIO()
    with ColumnWriter(file) as writer:
        writer.add(columns)
    revision = Revision.objects.create(vehicle=Vehicle.objects.create(name="Sled"), number=1, date="2026-01-10")
    lake = Venue.objects.create(name="Lake")
    session = Session.objects.create(revision=revision, venue=lake, started_at="2026-01-17T11:00:00Z")
    log = Log(session=session, kind="csv", state="read", row_count=ROWS, size_bytes=9, sha256="0" * 64, name="a")
    log.columns.save("", ContentFile(file.getvalue()), save=False)
    log.save()
    client = Client()
    client.force_login(Account.objects.create_user("reader", role="reader"))
    slowest = 0.0
    for from_s, to_s in ((0, 10_000), (0, 5_000), (2_000, 3_200), (4_000, 4_030), (9_999, 10_000)):
        address = f"/sessions/{session.pk}/recordings/window/?from_s={from_s}&to_s={to_s}"
        assert len(client.get(address).json()["lines"]) == 8
        slowest = max(slowest, min(processor_s(lambda: client.get(address)) for _ in range(7)))  # noqa: B023
    goals.hold(f"a pan over {ROWS} rows of 8 columns, the slowest of five", 1000 * slowest, 150, "ms")


def begin() -> None:
    """Set the program up on a data folder of its own."""
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()


def main() -> int:
    goals = Goals()
    begin()
    from django.core.management import call_command
    from django.test.utils import override_settings

    with tempfile.TemporaryDirectory(prefix="firnlog-benchmark-") as folder:
        long, longest, track = (Path(folder, name) for name in ("long.csv", "longest.csv", "long.gpx"))
        write_logger_file(long, ROWS)
        write_track(track, POINTS)
        times = ratio(whole_import(long, "csv"), lambda: np.loadtxt(long, delimiter=",", skiprows=1))
        goals.hold(f"CSV import of {ROWS} rows of 6 columns, whole, against numpy.loadtxt", times, 2)
        times = ratio(whole_import(track, "gpx"), lambda: bare_track(track))
        goals.hold(f"GPX import of {POINTS} points, whole, against the standard library's iterparse in C", times, 3)
        goals.hold(f"memory over idle of importing {ROWS} rows", peak_mb(long)[0], 200, "MB")
        goals.hold(f"memory over idle of importing {POINTS} points", peak_mb(track)[0], 200, "MB")
        write_logger_file(longest, MOST_ROWS)
        over_idle, in_all = peak_mb(longest)
        goals.hold(f"memory over idle of importing {MOST_ROWS} rows", over_idle, 200, "MB")
        goals.hold(
            f"memory in all of two such imports at once, a process each ({in_all:.0f} MB)", 2 * in_all, 1000, "MB"
        )
        with override_settings(ALLOWED_HOSTS=["testserver"], MEDIA_ROOT=folder):
            call_command("migrate", verbosity=0)
            pans(goals)
    print(f"{goals.missed} goals missed")
    return 1 if goals.missed else 0


if __name__ == "__main__":
    if len(sys.argv) > 1:
        measure_memory(Path(sys.argv[1]))
    else:
        sys.exit(main())
