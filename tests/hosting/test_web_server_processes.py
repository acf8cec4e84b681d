"""How the server's processes start, are replaced, and end."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from tests.hosting.test_serve import PROJECT, free_port
from tests.hosting.test_web_server import LARGE, SERVE, answer, ask, begin, serving


def test_what_is_being_answered_when_the_server_stops_is_answered_whole(tmp_path):
    with serving(tmp_path / "arriving", longest_wait_s=30.0) as (port, running):
        being_answered = begin(port, b"GET /slow HTTP/1.0\r\nHost: log.example\r\n\r\n")
        being_fetched = begin(port, b"GET /large HTTP/1.0\r\nHost: log.example\r\n\r\n")
        silent = begin(port, b"GET / HTTP/1.0\r\nHost:")
        time.sleep(0.5)
        began = time.monotonic()
        running.send_signal(signal.SIGTERM)
        time.sleep(0.5)
        assert len(answer(being_fetched)) > LARGE
        assert answer(being_answered).endswith(b"0 bytes came")
        running.wait(timeout=30)
        assert time.monotonic() - began < 10, "half a request is not waited for"
        silent.close()


SLOW_TO_START = f"""
import time
from gunicorn import util
from buildlog.hosting import web_server

def name_slowly(name):
    time.sleep(2 * name.startswith("worker"))

util._setproctitle = name_slowly
web_server.LONGEST_STOP_S = 10_000
{SERVE}"""


def test_a_process_that_is_only_starting_hears_the_stop_too(tmp_path):
    """gunicorn tells it once, and its own handlers come a moment after the fork; what is not heard waits 10,000 s."""
    running = subprocess.Popen(
        [sys.executable, "-c", SLOW_TO_START, str(free_port()), "30", "2", str(tmp_path / "arriving")],
        cwd=PROJECT, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    children = Path(f"/proc/{running.pid}/task/{running.pid}/children")
    try:
        while len(children.read_text().split()) < 2:
            time.sleep(0.01)
        running.send_signal(signal.SIGTERM)
        _, output = running.communicate(timeout=120)
        assert (running.returncode, output) == (0, "")
    finally:
        running.kill()


def test_a_process_that_dies_is_replaced(tmp_path):
    with serving(tmp_path / "arriving", longest_wait_s=30.0, workers=2) as (port, _):
        pids = set()
        for _ in range(200):
            pids.add(int(ask(port, "/process").rpartition(b"\r\n")[2]))
            if len(pids) == 2:
                break
        os.kill(min(pids), signal.SIGKILL)
        for _ in range(200):
            with contextlib.suppress(OSError, ValueError):
                pids.add(int(ask(port, "/process").rpartition(b"\r\n")[2]))
            if len(pids) == 3:
                break
            time.sleep(0.05)
    assert len(pids) == 3
