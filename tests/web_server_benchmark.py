"""The server of `serve` against gunicorn's own worker of threads, in one run: `python -m tests.web_server_benchmark`.

Both have two processes of four threads and the same application, and are asked at the same time. Prints answers a
second, the memory of all processes, and how long a client waits beside slow ones.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from tests.servers import free_port, surroundings

PROJECT = Path(__file__).resolve().parents[1]
ROUNDS, SECONDS, CLIENTS = 3, 5.0, 4
SILENT, SLOW = 300, 24
PATIENCE_S = 60.0
SERVE = """
import sys

kind, of_what, port, module = sys.argv[1:]
sys.path.insert(0, ".")
if module:
    import importlib.util

    specification = importlib.util.spec_from_file_location("web_server_before", module)
    web_server = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(web_server)
else:
    from buildlog.hosting import web_server

def bare(environ, start_response):
    start_response("200 OK", [("Content-Type", "text/plain"), ("Content-Length", "5")])
    return [b"there"]

def site():
    from buildlog.config.wsgi import application
    return application

class OfThreads(web_server.Server):
    def load_config(self):
        super().load_config()
        self.cfg.set("worker_class", "gthread")
        self.cfg.set("threads", 4)

server = {"own": web_server.Server, "threads": OfThreads}[kind]
server("127.0.0.1", int(port), 2, site if of_what == "site" else lambda: bare).run()
"""


class Running:
    def __init__(self, kind: str, of_what: str, folder: Path, module: str = "") -> None:
        self.port = free_port()
        self.process = subprocess.Popen(
            [sys.executable, "-c", SERVE, kind, of_what, str(self.port), module],
            cwd=PROJECT,
            env=surroundings(folder),
            stderr=subprocess.DEVNULL,
        )
        for _ in range(1200):
            with contextlib.suppress(OSError):
                self.ask("/sign-in/")
                return
            time.sleep(0.1)
        raise RuntimeError("The server did not start.")

    def stop(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(timeout=60)

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE_S)

    def ask(self, path: str) -> float:
        """How long one answer takes, on a connection of its own."""
        began = time.perf_counter()
        with self.connect() as client:
            client.sendall(f"GET {path} HTTP/1.0\r\nHost: localhost\r\n\r\n".encode())
            while client.recv(1 << 16):
                pass
        return time.perf_counter() - began

    def processor_s(self) -> float:
        """What the processes have worked so far: unlike time on the clock, the same on a busy machine."""
        ticks = 0
        for pid in (self.process.pid, *_children_of(self.process.pid)):
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
            ticks += int(fields[11]) + int(fields[12])
        return ticks / os.sysconf("SC_CLK_TCK")

    def memory_mb(self) -> float:
        """What the processes take together; what they share is counted once (Linux's PSS)."""
        pids = [self.process.pid, *_children_of(self.process.pid)]
        rollups = [Path(f"/proc/{pid}/smaps_rollup").read_text() for pid in pids]
        return sum(int(line.split()[1]) for text in rollups for line in text.splitlines() if line[:4] == "Pss:") / 1024


def _children_of(pid: int) -> list[int]:
    text = "".join(Path(f"/proc/{pid}/task/{task}/children").read_text() for task in os.listdir(f"/proc/{pid}/task"))
    return [int(child) for child in text.split()]


@contextlib.contextmanager
def running(kind: str, of_what: str, folder: Path, module: str = "") -> Iterator[Running]:
    server = Running(kind, of_what, folder, module)
    try:
        yield server
    finally:
        server.stop()


def answered_meanwhile(servers: list[Running], path: str) -> list[int]:
    """Answers of each to four clients of its own, each of which asks again on its connection as soon as it has one.

    All are asked at once, so that whatever else the machine does takes from each alike.
    """
    answered = [0] * len(servers)
    ends = time.monotonic() + SECONDS
    request = f"GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode()

    def go(number: int) -> None:
        with servers[number].connect() as client:
            while time.monotonic() < ends:
                client.sendall(request)
                head, _, body = client.recv(1 << 16).partition(b"\r\n\r\n")
                length = int(head.lower().partition(b"content-length:")[2].split(b"\r\n", 1)[0])
                while len(body) < length:
                    body += client.recv(1 << 16)
                answered[number] += 1

    numbers = [number for number in range(len(servers)) for _ in range(CLIENTS)]
    clients = [threading.Thread(target=go, args=(number,)) for number in numbers]
    for client in clients:
        client.start()
    for client in clients:
        client.join()
    return answered


def longest_wait_s(server: Running, path: str) -> float:
    """Of a client that asks 20 times, beside 300 that say nothing and 24 that send a form a byte at a time."""
    over = threading.Event()
    silent = [server.connect() for _ in range(SILENT)]
    slow = [server.connect() for _ in range(SLOW)]
    for client in slow:
        client.sendall(b"POST /sign-in/ HTTP/1.1\r\nHost: localhost\r\nContent-Length: 900\r\n\r\n")

    def drip() -> None:
        while not over.wait(0.25):
            for client in slow:
                with contextlib.suppress(OSError):
                    client.send(b"x")

    drops = threading.Thread(target=drip)
    drops.start()
    time.sleep(0.5)
    try:
        longest = 0.0
        for _ in range(20):
            try:
                longest = max(longest, server.ask(path))
            except TimeoutError:
                return PATIENCE_S
            time.sleep(0.1)
        return longest
    finally:
        over.set()
        drops.join()
        for client in (*silent, *slow):
            client.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--before", default="", help="a file to take the other server from, in place of gunicorn's")
    before = parser.parse_args().before
    kinds = {"now": ("own", ""), "before" if before else "gunicorn's threads": ("own" if before else "threads", before)}
    with tempfile.TemporaryDirectory(prefix="firnlog-benchmark-") as folder:
        data = Path(folder)
        for command in ("migrate", "collectstatic"):
            subprocess.run(
                [sys.executable, "manage.py", command, "--no-input", "--verbosity=0"],
                cwd=PROJECT, env=surroundings(data), check=True,
            )  # fmt: skip
        figures: dict[str, dict[str, list[float]]] = {kind: {} for kind in kinds}
        for of_what, name in (("bare", "bare answers"), ("site", "sign-in pages")):
            for _ in range(ROUNDS):
                with contextlib.ExitStack() as stack:
                    servers = [stack.enter_context(running(how, of_what, data, file)) for how, file in kinds.values()]
                    # What a process does once, at its first answers, is not asked for here.
                    answered_meanwhile(servers, "/sign-in/")
                    worked_s = [server.processor_s() for server in servers]
                    answered = answered_meanwhile(servers, "/sign-in/")
                    for kind, server, before_s, count in zip(kinds, servers, worked_s, answered, strict=True):
                        mine = figures[kind]
                        mine.setdefault(f"{name} a second", []).append(count / SECONDS)
                        worked = server.processor_s() - before_s
                        mine.setdefault(f"{name} a second of processor time", []).append(count / worked)
                        mine.setdefault(f"MB of memory after {name}", []).append(server.memory_mb())
        for kind, how in kinds.items():
            with running(how[0], "site", data, how[1]) as server:
                answered_meanwhile([server], "/sign-in/")
                figures[kind]["longest wait beside slow clients in s"] = [longest_wait_s(server, "/sign-in/")]
    now, other = figures.values()
    for name, values in now.items():
        mine, theirs = statistics.median(values), statistics.median(other[name])
        print(f"{name}: {mine:.2f} against {theirs:.2f} of {list(kinds)[1]}, {mine / theirs:.2f} times")


if __name__ == "__main__":
    main()
