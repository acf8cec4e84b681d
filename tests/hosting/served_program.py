"""A small program behind our web server, as a process of its own, and clients of it by real sockets."""

import contextlib
import socket
import sys
from pathlib import Path

from tests.processes import LONGEST_WAIT_S, Process
from tests.servers import free_port

PROJECT = Path(__file__).resolve().parents[2]
PATIENCE_S = 3 * LONGEST_WAIT_S
"""Of a server that waits for a client longer than any test waits for the server."""
LARGE = 8_000_000
SERVE = f"""
import itertools, os, sys, time
from pathlib import Path
from buildlog.hosting import web_server

folder, patience_s = Path(sys.argv[4]), float(sys.argv[2])
web_server.LONGEST_WAIT_S = patience_s
web_server.LONGEST_STOP_S = max(web_server.LONGEST_STOP_S, int(patience_s))

def answer(environ, start_response):
    came = 0
    while block := environ["wsgi.input"].read(1 << 20):
        came += len(block)
    short = b"%d bytes came" % came
    headers = [("Content-Type", "text/plain")]
    if environ["PATH_INFO"] in ("/", "/slow"):
        headers.append(("Content-Length", str(len(short))))
    start_response("200 OK", headers)
    match environ["PATH_INFO"]:
        case "/large":
            return [b"x" * {LARGE}]
        case "/endless":
            return itertools.repeat(b"x" * {LARGE})
        case "/slow":
            (folder.parent / "begun").touch()
            while not (folder.parent / "may-end").exists():
                time.sleep(0.05)
        case "/process":
            return [str(os.getpid()).encode()]
        case "/headers":
            return ["\\n".join(f"{{name}}: {{value}}" for name, value in environ.items()).encode()]
    return [short]

web_server.Server("127.0.0.1", int(sys.argv[1]), int(sys.argv[3]), lambda: answer, folder).run()
"""
HEAD = b"POST / HTTP/1.1\r\nHost: log.example\r\n"


@contextlib.contextmanager
def serving(folder, longest_wait_s, workers=1):
    port = free_port()
    command = [sys.executable, "-c", SERVE, str(port), str(longest_wait_s), str(workers), str(folder)]
    with Process(command, cwd=PROJECT) as running:
        running.wait_for_answer(f"http://127.0.0.1:{port}/")
        yield port, running
        output = running.stop()
        assert running.returncode == 0
        assert "Traceback" not in output, "whoever is slow fills no log"


def begin(port, text=b""):
    client = socket.create_connection(("127.0.0.1", port), timeout=LONGEST_WAIT_S)
    client.sendall(text)
    return client


def ask(port, path="/"):
    with begin(port, f"GET {path} HTTP/1.0\r\nHost: log.example\r\n\r\n".encode()) as client:
        return answer(client)


def answer(client):
    return b"".join(iter(lambda: client.recv(1 << 16), b""))
