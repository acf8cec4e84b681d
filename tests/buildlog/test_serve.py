"""The serve command, run as a person would run it."""

import re
import signal
import socket
import stat
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from tests.servers import OF_THE_RUN, database_name, free_port, make_database, surroundings

PROJECT = Path(__file__).resolve().parents[2]


def start(folder, *arguments, **told):
    if OF_THE_RUN:
        make_database(OF_THE_RUN, database_name(folder))
    return subprocess.Popen(
        [sys.executable, "manage.py", "serve", *arguments],
        cwd=PROJECT,
        env=surroundings(folder, PYTHONUNBUFFERED="1", **told),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def test_first_start(tmp_path):
    port = free_port()
    server = start(tmp_path / "data", "--port", str(port), "--demo")
    try:
        page = None
        for _ in range(300):
            try:
                page = urllib.request.urlopen(f"http://127.0.0.1:{port}/sign-in/")
                break
            except (urllib.error.URLError, ConnectionError):
                assert server.poll() is None, server.stdout.read()
                time.sleep(0.1)
        assert page is not None
        assert "unsafe" not in page.headers["Content-Security-Policy"]
        sheet = re.search(r'href="(/static/css/tokens\.\w+\.css)"', page.read().decode()).group(1)
        styles = urllib.request.urlopen(f"http://127.0.0.1:{port}{sheet}")
        assert "immutable" in styles.headers["Cache-Control"]
    finally:
        server.send_signal(signal.SIGTERM)
        said, _ = server.communicate(timeout=30)
    assert server.returncode == 0
    assert re.search(rf"http://127\.0\.0\.1:{port}/invitation/[\w-]+/", said)
    assert "Loaded the invented season." in said
    assert stat.S_IMODE((tmp_path / "data" / "secret_key").stat().st_mode) == 0o600


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--port", "99999"], "--port must be from 1 to 65535"),
        (["--workers", "0"], "--workers must be"),
        (["--host", "no.such.host.invalid"], "is not an address of this machine"),
    ],
)
def test_a_wrong_argument_is_one_sentence(tmp_path, arguments, words):
    server = start(tmp_path / "data", *arguments)
    said, _ = server.communicate(timeout=60)
    assert server.returncode == 1
    assert words in said
    assert "Traceback" not in said


def test_a_busy_port_is_one_sentence(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        server = start(tmp_path / "data", "--port", str(taken.getsockname()[1]))
        said, _ = server.communicate(timeout=60)
    assert server.returncode == 1
    assert "Cannot listen on" in said
    assert "Traceback" not in said


@pytest.mark.parametrize(
    ("arguments", "told", "words"),
    [
        (["--host", "0.0.0.0"], {"BUILDLOG_DEBUG": "yes"}, "buildlog.E001: BUILDLOG_DEBUG is on"),
        ([], {"BUILDLOG_HSTS": "day"}, "buildlog.E003: BUILDLOG_HSTS is set"),
        ([], {"BUILDLOG_BASE_URL": "https://home.example/sessions"}, "buildlog.E005: The base URL's path"),
    ],
)
def test_what_a_check_calls_an_error_stops_the_start(tmp_path, arguments, told, words):
    server = start(tmp_path / "data", "--port", str(free_port()), *arguments, **told)
    said, _ = server.communicate(timeout=60)
    assert server.returncode == 1
    assert words in said
    assert "Serving" not in said
    assert "Traceback" not in said
