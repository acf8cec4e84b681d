"""How the server's processes start, are replaced, and end."""

import contextlib
import os
import signal
import socket
import sys
import time

from tests.hosting.served_program import LARGE, PATIENCE_S, PROJECT, SERVE, answer, ask, begin, serving
from tests.processes import Process, tree, wait_until
from tests.servers import free_port


def test_what_is_being_answered_when_the_server_stops_is_answered_whole(tmp_path):
    with serving(tmp_path / "arriving", longest_wait_s=PATIENCE_S) as (port, running):
        being_answered = begin(port, b"GET /slow HTTP/1.0\r\nHost: log.example\r\n\r\n")
        being_fetched = begin(port, b"GET /large HTTP/1.0\r\nHost: log.example\r\n\r\n")
        silent = begin(port, b"GET / HTTP/1.0\r\nHost:")
        wait_until((tmp_path / "begun").exists, "the work on an answer", running)
        assert being_fetched.recv(1, socket.MSG_PEEK)
        running.send_signal(signal.SIGTERM)
        time.sleep(0.5)
        (tmp_path / "may-end").touch()
        assert len(answer(being_fetched)) > LARGE
        assert answer(being_answered).endswith(b"0 bytes came")
        running.end()  # half a request, of so patient a server, is not waited for
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
    command = [sys.executable, "-c", SLOW_TO_START, str(free_port()), "30", "2", str(tmp_path / "arriving")]
    with Process(command, cwd=PROJECT) as running:
        wait_until(lambda: len(tree(running.pid)) > 2, "two processes of the server", running)
        assert running.stop() == ""
        assert running.returncode == 0


def test_a_process_that_dies_is_replaced(tmp_path):
    with serving(tmp_path / "arriving", longest_wait_s=30.0, workers=2) as (port, running):
        pids = set()

        def seen():
            with contextlib.suppress(OSError, ValueError):
                pids.add(int(ask(port, "/process").rpartition(b"\r\n")[2]))
            return len(pids)

        wait_until(lambda: seen() == 2, "answers of both processes", running)
        os.kill(min(pids), signal.SIGKILL)
        wait_until(lambda: seen() == 3, "an answer of a third process", running)
