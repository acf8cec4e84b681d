"""Clients that keep the server waiting, by real sockets.

That one holds no thread is shown by the order of things: the server is so patient that whoever had to wait for it
would wait longer than a test does. That it is cut off in the end is shown on a server of little patience.
"""

import contextlib
import os
import platform
import re
import socket
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from buildlog.hosting import web_server
from tests.hosting.served_program import HEAD, LARGE, PATIENCE_S, PROJECT, answer, ask, begin, serving
from tests.processes import LONGEST_WAIT_S, wait_until


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    """One worker of four threads, which waits for one second."""
    with serving(tmp_path_factory.mktemp("impatient") / "arriving", longest_wait_s=1.0) as (port, _):
        yield port


@pytest.fixture(scope="module")
def patient_server(tmp_path_factory):
    """One worker that waits for longer than any test; its port, and the folder of what is still coming."""
    folder = tmp_path_factory.mktemp("patient") / "arriving"
    with serving(folder, longest_wait_s=PATIENCE_S) as (port, _):
        yield port, folder


def is_open(client):
    """Nothing came on it, not even its end."""
    client.setblocking(False)
    try:
        client.recv(1, socket.MSG_PEEK)
    except BlockingIOError:
        return True
    except ConnectionError:
        pass
    finally:
        client.settimeout(LONGEST_WAIT_S)
    return False


ESTABLISHED = "01"
HALVES = [b"GET / HTTP/1.1\r\nHost: log.ex", HEAD, HEAD + b"Content-Length: 900\r\n\r\nthe beginning", HEAD[:1]]


@pytest.mark.parametrize("half", HALVES)
def test_half_a_request_holds_no_thread(patient_server, half):
    port, _ = patient_server
    held = [begin(port, half) for _ in range(8)]
    time.sleep(0.1)
    assert ask(port).endswith(b"0 bytes came")
    assert all(is_open(client) for client in held)
    for client in held:
        client.close()


@pytest.mark.parametrize("half", HALVES)
def test_half_a_request_is_cut_off(server, half):
    held = [begin(server, half) for _ in range(8)]
    for client in held:
        with contextlib.suppress(ConnectionError):  # where not even all that was sent was read
            while client.recv(1 << 16):
                pass  # it is closed, and not by us
        client.close()


def test_neither_does_one_that_comes_drop_by_drop(patient_server):
    """A byte now and then is never silence, but it adds up to nothing."""
    port, _ = patient_server
    held = [begin(port, HEAD + b"Content-Length: 900\r\n\r\n") for _ in range(4)]
    over = threading.Event()

    def drip():
        while not over.wait(0.2):
            for client in held:
                client.send(b"x")

    drops = threading.Thread(target=drip)
    drops.start()
    time.sleep(0.5)
    try:
        assert ask(port).endswith(b"0 bytes came")
        assert all(is_open(client) for client in held)
    finally:
        over.set()
        drops.join()
        for client in held:
            client.close()


def test_one_that_does_not_fetch_its_answer_holds_no_thread_and_is_cut_off(server, patient_server):
    def held_by(port):
        return [begin(port, b"GET /large HTTP/1.0\r\nHost: log.example\r\n\r\n") for _ in range(4)]

    port, _ = patient_server
    waiting, held = held_by(port), held_by(server)
    time.sleep(0.1)
    assert ask(port).endswith(b"0 bytes came")
    assert ask(server).endswith(b"0 bytes came")
    for client in waiting:
        assert len(answer(client)) > LARGE, "it was there all the time"
        client.close()
    wait_until(lambda: not connections_held(server, held), "the end of connections on which nothing was fetched")
    for client in held:
        client.close()


def connections_held(port, clients):
    """Those of which the server's end is still open."""
    ours = {client.getsockname()[1] for client in clients}
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    ends = [[int(end.rpartition(":")[2], 16) for end in row[1:3]] for row in rows if row[3] == ESTABLISHED]
    return [theirs for own, theirs in ends if own == port and theirs in ours]


def test_those_that_do_not_close_after_their_answer_keep_nobody_out(patient_server):
    """Each may be waited for by a thread, but not one after the other by the thread that lets clients in."""
    port, _ = patient_server
    held = [begin(port, b"GET / HTTP/1.0\r\nHost: log.example\r\n\r\n") for _ in range(8)]
    time.sleep(0.1)
    assert ask(port).endswith(b"0 bytes came")
    for client in held:
        assert answer(client).endswith(b"0 bytes came")
        client.close()


def sent_slowly(port):
    with begin(port, HEAD + b"Connection: close\r\nContent-Length: 8000\r\n\r\n") as client:
        for _ in range(8):
            time.sleep(0.3)
            client.sendall(b"x" * 1000)
        return answer(client).endswith(b"8000 bytes came")


def fetched_slowly(port):
    with begin(port, b"GET /large HTTP/1.0\r\nHost: log.example\r\n\r\n") as client:
        got = 0
        for _ in range(8):
            time.sleep(0.3)
            got += len(client.recv(LARGE // 10, socket.MSG_WAITALL))
        return got + len(answer(client)) > LARGE


@pytest.mark.parametrize("slowly", [sent_slowly, fetched_slowly])
def test_a_slow_client_that_goes_on_is_served_whole(server, slowly):
    """Longer in all than the server waits for any part of it. Where the machine itself stops, it is tried again."""

    def is_whole():
        with contextlib.suppress(ConnectionError):
            return slowly(server)

    assert any(is_whole() for _ in range(6))


def test_300_silent_and_24_slow_clients_keep_nobody_waiting(patient_server):
    """None of them is cut off meanwhile. A stop of this machine makes one answer slow, and not half of them."""
    port, _ = patient_server
    silent = [begin(port) for _ in range(300)]
    slow = [begin(port, HEAD + b"Content-Length: 900\r\n\r\n") for _ in range(24)]
    waits_s = []
    for _ in range(20):
        for client in slow:
            client.sendall(b"x")
        began = time.monotonic()
        assert ask(port).endswith(b"0 bytes came")
        waits_s.append(time.monotonic() - began)
        time.sleep(0.1)
    median_s = statistics.median(waits_s)
    print(f"beside 300 silent and 24 slow clients: median of 20 answers {median_s:.3f} s, longest {max(waits_s):.3f} s")
    assert median_s < 1.0
    assert all(is_open(client) for client in silent + slow)
    for client in slow:
        client.sendall(b"x" * 880)
    for client in slow:
        client.shutdown(socket.SHUT_WR)
        assert b"900 bytes came" in answer(client)
        client.close()
    for client in silent:
        client.close()


def test_answers_without_an_end_that_nobody_fetches_hold_no_thread_for_long(server):
    """As many as there are threads: the system ends connections on which nothing can be sent any more."""
    held = [begin(server, b"GET /endless HTTP/1.0\r\nHost: log.example\r\n\r\n") for _ in range(4)]
    time.sleep(0.5)
    assert ask(server).endswith(b"0 bytes came")
    for client in held:
        client.close()


def test_a_large_body_waits_on_the_disk_it_is_meant_for_and_leaves_nothing_there(patient_server):
    port, folder = patient_server
    size = 64 * 1024 * 1024
    (pid,) = {int(ask(port, "/process").rpartition(b"\r\n")[2])}
    before = most_memory_kb(pid)
    with begin(port, HEAD + f"Connection: close\r\nContent-Length: {size}\r\n\r\n".encode()) as client:
        block = b"x" * (1 << 20)
        for _ in range(size // len(block) - 1):
            client.sendall(block)
        wait_until(lambda: [name for name in open_files(pid) if name.startswith(str(folder))], "its file")
        client.sendall(block)
        assert answer(client).endswith(b"%d bytes came" % size)
    assert most_memory_kb(pid) - before < 16 * 1024
    assert list(folder.iterdir()) == []


def open_files(pid):
    for path in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):
            yield os.readlink(path)


def most_memory_kb(pid):
    return int(re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())[1])


def test_what_a_killed_server_left_is_removed_a_day_later(tmp_path):
    folder = tmp_path / "arriving"
    folder.mkdir()
    for name, age_h in (("old.upload", 25), ("young.upload", 1)):
        (folder / name).touch()
        os.utime(folder / name, times=(time.time() - age_h * 3600,) * 2)
    with serving(folder, longest_wait_s=1.0):
        assert [path.name for path in folder.iterdir()] == ["young.upload"]


@pytest.mark.parametrize(
    ("request_head", "status"),
    [
        (b"GET / HTTP/1.1\r\nHost: log.example\r\nX-Long: " + b"x" * 40_000, b"431"),
        (b"POST / HTTP/1.1\r\nHost: log.example\r\nContent-Length: 700000000", b"413"),
        (b"POST / HTTP/1.1\r\nHost: log.example\r\nContent-Length: 5, 6", b"400"),
        (b"POST / HTTP/1.1\r\nHost: log.example\r\nTransfer-Encoding: gzip", b"501"),
        (b"GET / HTTP/1.1\r\nHost : log.example", b"400"),
        (b"nonsense", b"400"),
    ],
)
def test_what_cannot_be_read_is_refused_and_the_connection_closed(server, request_head, status):
    with begin(server, request_head + b"\r\n\r\n") as client:
        assert answer(client).split()[1] == status


def test_where_a_body_has_two_lengths_that_of_its_chunks_counts(server):
    """ASVS 5.0, 4.2.1 (RFC 9112, 6.3): else what one reads as the body, another reads as a request of somebody's."""
    hidden = b"GET /process HTTP/1.1\r\nHost: log.example\r\n\r\n"
    head = HEAD + b"Content-Length: %d\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n"
    chunks = b"5\r\nthere\r\n0\r\n\r\n"
    with begin(server, head % (len(chunks) + len(hidden)) + chunks + hidden) as client:
        text = answer(client)
    assert text.endswith(b"5 bytes came")
    assert text.count(b"HTTP/1.1 ") == 1


def test_a_body_in_chunks_is_read_whole_and_its_length_known(server):
    chunks = b"5\r\nthere\r\n4\r\nmore\r\n0\r\n\r\n"
    with begin(server, HEAD + b"Connection: close\r\nTransfer-Encoding: chunked\r\n\r\n" + chunks) as client:
        assert answer(client).endswith(b"9 bytes came")


def test_an_answer_to_head_ends_with_its_headers(server):
    with begin(server, b"HEAD / HTTP/1.1\r\nHost: log.example\r\nConnection: close\r\n\r\n") as client:
        head, _, body = answer(client).partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200")
    assert body == b""


def test_whom_to_believe_is_left_to_the_application(server):
    """What a proxy says comes through, and what would pass for it under another spelling does not."""
    data = b"X-Forwarded-For: 198.51.100.9\r\nX-Forwarded-Proto: https\r\nX_Forwarded_For: 203.0.113.5\r\n"
    with begin(server, b"GET /headers HTTP/1.0\r\nHost: log.example\r\n" + data + b"\r\n") as client:
        environ = answer(client).decode()
    assert "HTTP_X_FORWARDED_FOR: 198.51.100.9\n" in environ
    assert "HTTP_X_FORWARDED_PROTO: https\n" in environ
    assert "REMOTE_ADDR: 127.0.0.1\n" in environ
    assert "wsgi.url_scheme: http\n" in environ
    assert "203.0.113.5" not in environ


def test_every_page_s_largest_request_is_read_by_the_server():
    from django.urls import get_resolver

    largest = [getattr(pattern.callback, "largest_request", 0) for pattern in get_resolver().url_patterns
               if hasattr(pattern, "callback")]  # fmt: skip
    assert 0 < max(largest) < web_server.LARGEST_BODY_BYTES


@pytest.mark.parametrize(
    ("soft", "hard", "connections"), [(1024, 4096, 1000), (1024, 1024, 412), (20_000, 20_000, 1000), (100, 100, 10)]
)
def test_connections_and_their_files_fit_into_the_open_files(monkeypatch, soft, hard, connections):
    asked = []
    monkeypatch.setattr(web_server.resource, "getrlimit", lambda _: (soft, hard))
    monkeypatch.setattr(web_server.resource, "setrlimit", lambda _, limits: asked.append(limits))
    assert web_server.connections_within_open_files() == connections
    assert asked == ([(min(2200, hard), hard)] if soft < 2200 else [])


def grown(program, gives_back):
    """How many times as large as when it was idle a process is at its end."""
    command = [sys.executable, "-c", program, gives_back]
    return float(subprocess.run(command, cwd=PROJECT, stdout=subprocess.PIPE, check=True).stdout)


RESIDENT = """
def resident_mb():
    return int(open("/proc/self/statm").read().split()[1]) * 4096 / 1e6
"""
LONG_LOG = f"""{RESIDENT}
import sys, threading
import numpy as np
from buildlog.hosting.web_server import give_memory_back

if sys.argv[1] == "yes":
    give_memory_back()

def show_a_log():
    # Columns of a log of three million rows, and what is worked out of them, by which some small things stay.
    for _ in range(3):
        columns = [np.ones(3_000_000) for _ in range(8)]
        kept.append([column[:9].copy() for column in columns])

kept = []
idle = resident_mb()
for _ in range(4):
    thread = threading.Thread(target=show_a_log)
    thread.start()
    thread.join()
print(resident_mb() / idle)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other allocators are left as they are")
def test_a_worker_gives_the_memory_of_a_long_log_back():
    assert grown(LONG_LOG, "yes") < 1.5


LARGE_SEASON = f"""{RESIDENT}
import sys
from buildlog.hosting.web_server import give_free_memory_back, give_memory_back

give_memory_back()

idle = resident_mb()
# Keys and values of 200,000 rows, of which one in a thousand stays.
kept = [bytes([row % 256]) * 1_000 for row in range(200_000)][::1_000]
if sys.argv[1] == "yes":
    give_free_memory_back()
print(resident_mb() / idle)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other allocators are left as they are")
def test_a_worker_gives_the_memory_of_a_large_season_back():
    assert grown(LARGE_SEASON, "no") > 2.0
    assert grown(LARGE_SEASON, "yes") < 1.5


IN_CIRCLES = f"""{RESIDENT}
import sys
from buildlog.hosting.web_server import give_free_memory_back, give_memory_back

give_memory_back()

class Record:
    def __init__(self):
        self.columns, self.itself = [bytes([row % 256]) * 1_000 for row in range(10_000)], self

before = give_free_memory_back()
idle = resident_mb()
for _ in range(10):
    Record()
if sys.argv[1] == "yes":
    give_free_memory_back(before)
print(resident_mb() / idle)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other allocators are left as they are")
def test_a_worker_lets_go_of_records_that_refer_to_each_other():
    """They are few and large, so Python itself does not look for them."""
    assert grown(IN_CIRCLES, "no") > 2.0
    assert grown(IN_CIRCLES, "yes") < 1.5
