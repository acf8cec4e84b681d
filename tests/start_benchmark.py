"""What a warm start costs: `python -m tests.start_benchmark`, and part of `python -m tests.benchmarks`.

From the start of `manage.py serve` to its first answer, on a data folder that is up to date: processor time of all its
processes. The goal is in seconds, so it is one of this machine; a bare start of the framework's modules beside it says
how fast that is.
"""

from __future__ import annotations

import http.client
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.servers import free_port

PROJECT = Path(__file__).resolve().parents[1]
GOAL_S = 1.5
STARTS = 3
LONGEST_S = 120.0
BARE = "import django, rest_framework.serializers, numpy, pint, plotly, PIL.Image; pint.UnitRegistry().meter"
"""The libraries that every page needs, and nothing of ours."""


def processor_s(pid: int) -> float:
    """Processor time of a process, its children that run and those that have ended."""
    ticks, processes = os.sysconf("SC_CLK_TCK"), 0.0
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            fields = (folder / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue  # It has ended meanwhile.
        own, ended, parent = int(fields[11]) + int(fields[12]), int(fields[13]) + int(fields[14]), int(fields[1])
        if int(folder.name) == pid:
            processes += own + ended
        elif parent == pid:
            processes += own
    return processes / ticks


def start(folder: str) -> tuple[float, str]:
    """Processor seconds to the first answer, and what the command said."""
    port = free_port()
    command = [sys.executable, "manage.py", "serve", "--port", str(port)]
    environment = os.environ | {"BUILDLOG_DATA_DIR": folder}
    server = subprocess.Popen(command, cwd=PROJECT, env=environment, stdout=subprocess.PIPE, text=True)
    try:
        ends = time.monotonic() + LONGEST_S
        while not _answers(port):
            if time.monotonic() > ends or server.poll() is not None:
                raise RuntimeError("The server does not start.")
            time.sleep(0.02)
        took_s = processor_s(server.pid)
    finally:
        server.terminate()
        output, _ = server.communicate()
    return took_s, output


def _answers(port: int) -> bool:
    asking = http.client.HTTPConnection("127.0.0.1", port, timeout=LONGEST_S)
    try:
        asking.request("GET", "/sign-in/")
        return asking.getresponse().status == 200
    except OSError:
        return False
    finally:
        asking.close()


def bare_s() -> float:
    before = os.times()
    subprocess.run([sys.executable, "-c", BARE], check=True)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def run() -> list[str]:
    """Print what a start costs, and return the goal as a sentence where it is missed."""
    with tempfile.TemporaryDirectory(prefix="firnlog-benchmark-") as folder:
        cold_s, _ = start(folder)
        warm = [start(folder) for _ in range(STARTS)]
    least_s = min(took_s for took_s, _ in warm)
    libraries_s = min(bare_s() for _ in range(STARTS))
    print(
        f"start: {least_s:.2f} s of processor time to the first answer, {least_s / libraries_s:.1f} times loading the "
        f"libraries alone ({libraries_s:.2f} s); the first start of a version {cold_s:.1f} s"
    )
    missed = [] if least_s <= GOAL_S else [f"start: {least_s:.2f} s of processor time, not {GOAL_S}"]
    if any("Collecting" in text for _, text in warm):
        missed.append("start: static files were collected again, though nothing had changed")
    return missed


if __name__ == "__main__":
    sys.exit("\n".join(run()))
