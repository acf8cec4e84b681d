"""Unit and container file of the help on installation: read as the programs read them, their own commands run."""

import configparser
import json
import re
import shutil
import subprocess
import sys

import pytest

from tests.data_folders import PROJECT, environment, lay_static_files
from tests.documents import block, help_text
from tests.processes import Process
from tests.servers import free_port

INSTALLATION = help_text("installation")


@pytest.fixture(scope="module")
def program(tmp_path_factory):
    """What a checkout holds, without what was made in it."""
    folder = tmp_path_factory.mktemp("checkout")
    for name in ("buildlog", "sessions", "calc", "templates", "static"):
        shutil.copytree(PROJECT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(PROJECT / "manage.py", folder)
    return folder


def assert_healthy(command, program, data, port):
    """Start the command, ask for its health, and end it."""
    with Process([*command, "--port", str(port)], cwd=program, env=environment(data)) as server:
        with server.wait_for_answer(f"http://127.0.0.1:{port}/health/?of=database,disk") as answer:
            assert json.load(answer) == {"status": "ok", "database": "ok", "disk": "ok"}
        server.stop()


def test_the_unit_starts_the_server(program, tmp_path):
    unit = configparser.ConfigParser()
    unit.optionxform = str
    unit.read_string(block("unit"))
    service = unit["Service"]
    interpreter, *arguments = service["ExecStart"].split()
    assert interpreter == f"{service['WorkingDirectory']}/.venv/bin/python"
    assert service["Environment"] == f"BUILDLOG_DATA_DIR={service['ReadWritePaths']}"
    assert f"install -d -m 700 -o {service['User']} -g {service['User']} {service['ReadWritePaths']}" in INSTALLATION
    assert_healthy([sys.executable, *arguments], program, tmp_path / "data", free_port())
    if shutil.which("systemd-analyze"):
        file = tmp_path / "firnlog.service"
        file.write_text(block("unit").replace(interpreter, sys.executable))
        done = subprocess.run(["systemd-analyze", "verify", "--man=no", file], capture_output=True, text=True)
        assert not [line for line in done.stderr.splitlines() if "firnlog.service" in line]


def test_the_container_file_s_commands_run(program, collected, tmp_path):
    """No image is built here; each of its lines is held against what it works on, and its last one run."""
    lines = [line.split(maxsplit=1) for line in block("container file").splitlines()]
    steps = dict(lines)
    assert (PROJECT / "requirements.txt").exists()
    assert ("COPY", "requirements.txt .") in map(tuple, lines)
    assert steps["ENV"].startswith(f"BUILDLOG_DATA_DIR={steps['VOLUME']} ")
    assert {".data", ".venv", ".git"} <= set((PROJECT / ".dockerignore").read_text().split())
    asks = json.loads(steps["HEALTHCHECK"].removeprefix("CMD "))
    assert f"http://127.0.0.1:{steps['EXPOSE']}/health/?of=database,disk" in asks[2]
    _, *arguments = json.loads(steps["CMD"])
    lay_static_files(collected, tmp_path / "data")
    assert_healthy([sys.executable, *arguments], program, tmp_path / "data", free_port())


def test_the_health_check_of_the_container_file_fails_where_nobody_answers():
    asks = json.loads(re.search(r"HEALTHCHECK CMD (.*)", INSTALLATION).group(1))
    command = [sys.executable, "-c", asks[2].replace(":8000", f":{free_port()}")]
    assert subprocess.run(command, capture_output=True).returncode != 0
