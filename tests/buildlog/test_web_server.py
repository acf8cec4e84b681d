"""Clients that keep the server waiting, by real sockets and with a shorter patience."""

import contextlib
import signal
import socket
import subprocess
import sys
import threading
import time

import pytest

from tests.buildlog.test_serve import PROJECT, free_port

LARGE = 8_000_000
SERVE = f"""
import sys
from buildlog import web_server

web_server.LONGEST_WAIT_S = 1.0

def answer(environ, start_response):
    came = environ["wsgi.input"].read(int(environ.get("CONTENT_LENGTH") or 0))
    start_response("200 OK", [("Content-Type", "text/plain")])
    return [b"x" * {LARGE}] if environ["PATH_INFO"] == "/large" else [b"%d bytes came" % len(came)]

web_server.Server("127.0.0.1", int(sys.argv[1]), 1, lambda: answer).run()
"""
HEAD = b"POST / HTTP/1.1\r\nHost: log.example\r\n"


@pytest.fixture(scope="module")
def server():
    """One worker of four threads, which waits for one second."""
    port = free_port()
    running = subprocess.Popen([sys.executable, "-c", SERVE, str(port)], cwd=PROJECT, stderr=subprocess.PIPE, text=True)
    for _ in range(100):
        try:
            ask(port)
            break
        except OSError:
            assert running.poll() is None, running.stderr.read()
            time.sleep(0.1)
    yield port
    running.send_signal(signal.SIGTERM)
    _, said = running.communicate(timeout=30)
    assert "Traceback" not in said, "whoever is slow fills no log"


def begin(port, text=b""):
    client = socket.create_connection(("127.0.0.1", port), timeout=20)
    client.sendall(text)
    return client


def ask(port, path="/"):
    with begin(port, f"GET {path} HTTP/1.0\r\nHost: log.example\r\n\r\n".encode()) as client:
        return answer(client)


def answer(client):
    return b"".join(iter(lambda: client.recv(1 << 16), b""))


def assert_let_in(port, within_s):
    began = time.monotonic()
    assert ask(port).endswith(b"0 bytes came")
    assert time.monotonic() - began < within_s


@pytest.mark.parametrize(
    "half",
    [b"GET / HTTP/1.1\r\nHost: log.ex", HEAD, HEAD + b"Content-Length: 900\r\n\r\nthe beginning", HEAD[:1]],
)
def test_half_a_request_holds_no_thread(server, half):
    held = [begin(server, half) for _ in range(8)]
    time.sleep(0.1)
    assert_let_in(server, within_s=8)
    for client in held:
        while client.recv(1 << 16):
            pass  # it is closed, and not by us
        client.close()


def test_neither_does_one_that_comes_drop_by_drop(server):
    """A byte now and then is never silence, but it adds up to nothing."""
    held = [begin(server, HEAD + b"Content-Length: 900\r\n\r\n") for _ in range(4)]
    over = threading.Event()

    def drip():
        while not over.wait(0.2):
            for client in held:
                with contextlib.suppress(OSError):  # cut off, as it should be
                    client.send(b"x")

    drops = threading.Thread(target=drip)
    drops.start()
    time.sleep(0.1)
    try:
        assert_let_in(server, within_s=15)
    finally:
        over.set()
        drops.join()
        for client in held:
            client.close()


def test_one_that_does_not_fetch_its_answer_is_cut_off(server):
    held = [begin(server, b"GET /large HTTP/1.0\r\nHost: log.example\r\n\r\n") for _ in range(4)]
    time.sleep(0.1)
    assert ask(server).endswith(b"0 bytes came")
    for client in held:
        client.close()


def test_those_that_do_not_close_after_their_answer_keep_nobody_out(server):
    """Each may be waited for by a thread, but not one after the other by the thread that lets clients in."""
    held = [begin(server, b"GET / HTTP/1.0\r\nHost: log.example\r\n\r\n") for _ in range(8)]
    time.sleep(0.1)
    assert_let_in(server, within_s=8)
    for client in held:
        assert answer(client).endswith(b"0 bytes came")
        client.close()


def test_a_slow_client_that_goes_on_is_served_whole(server):
    """Longer in all than the server waits for any part of it."""
    with begin(server, HEAD + b"Connection: close\r\nContent-Length: 8000\r\n\r\n") as client:
        for _ in range(8):
            time.sleep(0.3)
            client.sendall(b"x" * 1000)
        assert client.recv(1 << 16).startswith(b"HTTP/1.1 200")
    with begin(server, b"GET /large HTTP/1.0\r\nHost: log.example\r\n\r\n") as client:
        got = 0
        for _ in range(8):
            time.sleep(0.3)
            got += len(client.recv(LARGE // 10, socket.MSG_WAITALL))
        while more := client.recv(1 << 20):
            got += len(more)
    assert got > LARGE
