"""The web server that `serve` runs: gunicorn keeps the processes, and waitress speaks HTTP in each of them.

waitress reads a request whole before one of its threads sees it, and sends a slowly fetched answer without a
thread, so that a slow client costs a connection and nothing else. It knows one process only; gunicorn starts
several, replaces one that died, and ends them in order. Each is used as its makers mean it to be: gunicorn with a
`worker_class` of one's own, waitress with sockets that are open already.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import logging
import os
import resource
import signal
import socket
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from gunicorn.app.base import BaseApplication
from gunicorn.glogging import Logger
from gunicorn.workers.base import Worker
from waitress import create_server, wasyncore

from buildlog.storage.durable_files import chown_like_parent

THREADS = 4
"""So many requests one process works on at once."""
CONNECTIONS = 1000
"""So many clients of one process may be silent or slow at once."""
LONGEST_WAIT_S = 30.0
"""A connection on which nothing has moved for so long is closed."""
LONGEST_STOP_S = 30
"""So long a request that is being worked on has to end when the server is stopped."""
BODY_IN_MEMORY_BYTES = 64 * 1024
"""What is longer waits in a file until the whole request is here."""
LARGEST_HEADER_BYTES = 32 * 1024
LARGEST_BODY_BYTES = 600 * 1024 * 1024
"""More is not even read; `buildlog.hosting.request_size` says what each page takes."""
NOTHING_DONE_S, LOOK_AGAIN_AFTER_S = 0.000_05, 0.000_2
MEMORY = "/dev/shm"
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD, M_ARENA_MAX = -1, -3, -8
LARGE_BLOCK_BYTES = 512 * 1024
GROWN_BYTES = 8 * 1024 * 1024
"""From so much more on, it is worth looking for what nobody needs."""
RESIDENT = Path("/proc/self/statm")
DAY_S = 24 * 3600
LIBC = ctypes.CDLL(None)
STOP_SIGNALS = {signal.SIGTERM, signal.SIGQUIT, signal.SIGINT}


class WaitressWorker(Worker):  # type: ignore[misc]  # gunicorn has no types
    """One process, in which waitress runs for as long as gunicorn wants it to."""

    server: Any = None
    notify_at = 0.0
    resident_bytes = 0

    def run(self) -> None:
        give_memory_back()
        listeners = [listener.sock for listener in self.sockets]
        for listener in listeners:
            # Inherited by its connections. waitress keeps up to 16 MB of an answer; one that goes on beyond that
            # holds a thread, until the system ends the connection of a client that does not fetch it.
            listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(LONGEST_WAIT_S * 1000))
        connections: dict[int, Any] = {}
        self.server = create_server(
            self.wsgi,
            map=connections,
            sockets=listeners,
            threads=THREADS,
            connection_limit=connections_within_open_files(),
            channel_timeout=int(LONGEST_WAIT_S),
            cleanup_interval=max(1, int(LONGEST_WAIT_S / 6)),
            inbuf_overflow=BODY_IN_MEMORY_BYTES,
            recv_bytes=BODY_IN_MEMORY_BYTES,
            max_request_header_size=LARGEST_HEADER_BYTES,
            max_request_body_size=LARGEST_BODY_BYTES,
            # Whom to believe about the client is decided in one place, buildlog.hosting.forwarded.
            clear_untrusted_proxy_headers=False,
            log_socket_errors=False,
            ident="firnlog",
        )
        while self.alive and self.ppid == os.getppid():
            self.serve_what_is_ready(connections)
        self.finish(connections)

    def serve_what_is_ready(self, connections: dict[int, Any]) -> None:
        """Let waitress read and write where it can at once, or wait up to a second for that."""
        began = time.monotonic()
        if began > self.notify_at:
            self.notify()
            self.resident_bytes = give_free_memory_back(self.resident_bytes)
            self.notify_at = began + 1.0
        wasyncore.loop(timeout=1.0, use_poll=True, map=connections, count=1)
        if time.monotonic() - began < NOTHING_DONE_S:
            # A thread is writing an answer just now; waitress would look a hundred times whether it has ended.
            time.sleep(LOOK_AGAIN_AFTER_S)

    def finish(self, connections: dict[int, Any]) -> None:
        """Take nobody else in, and end what is being worked on and sent. A request that is still coming is let go."""
        self.server.accepting = False
        ends = time.monotonic() + LONGEST_STOP_S
        while time.monotonic() < ends and any(
            channel.requests or channel.total_outbufs_len for channel in self.server.active_channels.values()
        ):
            self.serve_what_is_ready(connections)
        self.server.task_dispatcher.shutdown()

    def init_signals(self) -> None:
        super().init_signals()
        # Before the application is loaded: the threads it starts would pass a mask on to the imports they begin.
        take_stop_signals()

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        super().handle_exit(sig, frame)
        if self.server is not None:
            self.server.pull_trigger()


def hold_stop_signals() -> None:
    """Before a fork: until a new process has handlers of its own, it would put a signal where nobody looks, and go on
    serving until it is killed."""
    signal.pthread_sigmask(signal.SIG_BLOCK, STOP_SIGNALS)


def take_stop_signals() -> None:
    """What came in between is handled now."""
    signal.pthread_sigmask(signal.SIG_UNBLOCK, STOP_SIGNALS)


def give_memory_back() -> None:
    """Have large arrays returned to the system when they are let go.

    The allocator of glibc takes the size of each large block that is freed as a sign that more of them will come, and
    keeps up to 32 MB blocks; each of its arenas, of which threads get their own, keeps what lies below its top. A
    worker that showed one long log stayed five times as large. Other allocators are left as they are.
    """
    mallopt = getattr(LIBC, "mallopt", None)
    if mallopt is not None:
        mallopt(M_MMAP_THRESHOLD, LARGE_BLOCK_BYTES)
        mallopt(M_TRIM_THRESHOLD, LARGE_BLOCK_BYTES)
        mallopt(M_ARENA_MAX, 2)


def give_free_memory_back(before_bytes: int = 0) -> int:
    """What is free between small things that stay: a worker that showed a season of 20,000 sessions kept 300 MB of it.

    Records and what belongs to them refer to each other, so they stay after their page until Python looks for them.
    It does by the number of things, not by their size; here it does once the process has grown.

    It takes a tenth of a second after such a page, and a quarter of a millisecond where there is nothing to give.

    Parameters
    ----------
    before_bytes: what the process held when this was called last; 0 for not yet.

    Returns
    -------
    What it holds now [bytes]; 0 where the system does not say.
    """
    if before_bytes and _resident_bytes() > before_bytes + GROWN_BYTES:
        gc.collect()
    malloc_trim = getattr(LIBC, "malloc_trim", None)
    if malloc_trim is not None:
        malloc_trim(0)
    return _resident_bytes()


def _resident_bytes() -> int:
    try:
        return int(RESIDENT.read_text().split()[1]) * resource.getpagesize()
    except OSError:
        return 0


def connections_within_open_files() -> int:
    """How many connections fit, each with a file for its body, into the number of files a process may open."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    needed = 2 * CONNECTIONS + 200
    if soft != resource.RLIM_INFINITY and soft < needed:
        soft = needed if hard == resource.RLIM_INFINITY else min(needed, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        return max(10, (soft - 200) // 2)
    return CONNECTIONS


class Lines(Logger):  # type: ignore[misc]  # gunicorn has no types
    """The server's own lines have the form of all others."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        if ours := logging.getLogger("buildlog").handlers:
            for handler in self.error_log.handlers:
                handler.setFormatter(ours[0].formatter)


class Server(BaseApplication):  # type: ignore[misc]  # gunicorn has no types
    """`load_application` is called in each process, once it runs. `arriving` is a folder for what is still coming."""

    def __init__(
        self, host: str, port: int, workers: int, load_application: Callable[[], Any], arriving: Path | None = None
    ) -> None:
        self.bind = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
        self.workers, self.load_application = workers, load_application
        if arriving is not None:
            keep_temporary_files_in(arriving)
        os.register_at_fork(after_in_parent=take_stop_signals)
        super().__init__()

    def load_config(self) -> None:
        for name, value in {
            "bind": self.bind,
            "workers": self.workers,
            "worker_class": WaitressWorker,
            "timeout": 60,
            "graceful_timeout": LONGEST_STOP_S + 10,
            "loglevel": "warning",
            "logger_class": Lines,
            "proc_name": "firnlog",
            "pre_fork": lambda server, worker: hold_stop_signals(),
            # Touched each second to say that a process is well: on a memory card that would be a write each.
            "worker_tmp_dir": MEMORY if os.access(MEMORY, os.W_OK) else None,
            # It would lie in the home folder, one for all logs of an account.
            "control_socket_disable": True,
        }.items():
            self.cfg.set(name, value)

    def load(self) -> Any:
        return without_body_for_head(self.load_application())


def without_body_for_head(application: Callable[..., Any]) -> Callable[..., Any]:
    """waitress sends what the application returns, and an answer to HEAD ends with its headers (RFC 9110, 9.3.2)."""

    def answer(environ: dict[str, Any], start_response: Callable[..., Any]) -> Any:
        body = application(environ, start_response)
        if environ["REQUEST_METHOD"] != "HEAD":
            return body
        if hasattr(body, "close"):
            body.close()
        return []

    return answer


def keep_temporary_files_in(folder: Path) -> None:
    """Uploads wait on the disk they are meant for: the system's own folder is often memory, or small."""
    folder.mkdir(mode=0o700, exist_ok=True)
    chown_like_parent(folder)
    for file in folder.iterdir():
        # Left by a process that was killed. Another server on these data may be using the younger ones, or end one now.
        with contextlib.suppress(FileNotFoundError):
            if file.is_file() and file.stat().st_mtime < time.time() - DAY_S:
                file.unlink()
    tempfile.tempdir = str(folder)
