"""The serve command, run as a person would run it."""

import os
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


def start(folder, *arguments, **values):
    if OF_THE_RUN:
        make_database(OF_THE_RUN, database_name(folder))
    return subprocess.Popen(
        [sys.executable, "manage.py", "serve", *arguments],
        cwd=PROJECT,
        env=surroundings(folder, PYTHONUNBUFFERED="1", **values),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def answer(server, port):
    """The sign-in page, once the server has it."""
    for _ in range(600):
        try:
            return urllib.request.urlopen(f"http://127.0.0.1:{port}/sign-in/")
        except (urllib.error.URLError, ConnectionError):
            assert server.poll() is None, server.stdout.read()
            time.sleep(0.1)
    raise AssertionError("The server does not answer.")


def stop(server):
    """What it said."""
    server.send_signal(signal.SIGTERM)
    output, _ = server.communicate(timeout=30)
    return output


def style_sheet(page):
    """The first style sheet that a page names, as the same server gives it out."""
    sheet = re.search(r'href="(/static/css/tokens\.\w+\.css)"', page.read().decode()).group(1)
    return urllib.request.urlopen(f"{page.url.removesuffix('/sign-in/')}{sheet}")


def threads(process):
    return len(os.listdir(f"/proc/{process.pid}/task"))


def test_first_start(tmp_path):
    port = free_port()
    server = start(tmp_path / "data", "--port", str(port), "--demo")
    try:
        page = answer(server, port)
        assert "unsafe" not in page.headers["Content-Security-Policy"]
        assert "immutable" in style_sheet(page).headers["Cache-Control"]
        # It has collected files and loaded the season, and it forks: with threads a worker could come up hanging.
        assert threads(server) == 1
    finally:
        text = stop(server)
    assert server.returncode == 0
    assert re.search(rf"http://127\.0\.0\.1:{port}/invitation/[\w-]+/", text)
    assert "Loaded the invented season." in text
    assert stat.S_IMODE((tmp_path / "data" / "secret_key").stat().st_mode) == 0o600


def test_two_that_start_at_one_moment_both_serve_and_static_files_are_collected_once(tmp_path):
    data, ports = tmp_path / "data", [free_port() for _ in range(3)]
    (data / "static").mkdir(parents=True)  # as versions up to 0.8 left it
    (data / ".static-of-one-that-was-killed.part").mkdir()
    begun = [start(data, "--workers", "1", "--port", str(port)) for port in ports[:2]]
    try:
        assert [style_sheet(answer(*item)).status for item in zip(begun, ports, strict=False)] == [200, 200]
    finally:
        sentences = [stop(item) for item in begun]
    assert [item.returncode for item in begun] == [0, 0]
    assert sum(item.count("Collecting static files") for item in sentences) == 1
    (collected,) = [*data.glob("static*/"), *data.glob(".static*")]
    was = {path: path.stat().st_mtime_ns for path in collected.rglob("*")}
    # The same version again changes nothing.
    again = start(data, "--workers", "1", "--port", str(ports[2]))
    try:
        assert style_sheet(answer(again, ports[2])).status == 200
    finally:
        assert "Collecting" not in stop(again)
    assert {path: path.stat().st_mtime_ns for path in collected.rglob("*")} == was


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
    output, _ = server.communicate(timeout=60)
    assert server.returncode == 1
    assert words in output
    assert "Traceback" not in output


def test_a_busy_port_is_one_sentence(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        server = start(tmp_path / "data", "--port", str(taken.getsockname()[1]))
        output, _ = server.communicate(timeout=60)
    assert server.returncode == 1
    assert "Cannot listen on" in output
    assert "Traceback" not in output


@pytest.mark.parametrize(
    ("arguments", "values", "words"),
    [
        (["--host", "0.0.0.0"], {"BUILDLOG_DEBUG": "yes"}, "buildlog.E001: BUILDLOG_DEBUG is on"),
        ([], {"BUILDLOG_HSTS": "day"}, "buildlog.E003: BUILDLOG_HSTS is set"),
        ([], {"BUILDLOG_BASE_URL": "https://home.example/sessions"}, "buildlog.E005: The base URL's path"),
    ],
)
def test_what_a_check_calls_an_error_stops_the_start(tmp_path, arguments, values, words):
    server = start(tmp_path / "data", "--port", str(free_port()), *arguments, **values)
    output, _ = server.communicate(timeout=60)
    assert server.returncode == 1
    assert words in output
    assert "Serving" not in output
    assert "Traceback" not in output


def test_statistics_are_loaded_where_they_are_used_and_not_at_the_start(tmp_path):
    script = (
        "import django, sys; django.setup(); import buildlog.config.urls\n"
        "print([name for name in ('scipy.special', 'scipy.stats', 'scipy.optimize') if name in sys.modules])"
    )
    surroundings = {"BUILDLOG_DATA_DIR": str(tmp_path), "DJANGO_SETTINGS_MODULE": "buildlog.config.settings"}
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=PROJECT, env=os.environ | surroundings, capture_output=True, text=True
    )
    assert done.stdout.strip() == "[]", done.stderr


def test_no_calculation_loads_the_whole_of_statistics():
    """`scipy.stats` takes three times as long to load as the functions of `scipy.special` that it calls."""
    assert [path.name for path in (PROJECT / "calc").rglob("*.py") if "stats" in path.read_text()] == []
