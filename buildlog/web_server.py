"""The web server that `serve` runs: gunicorn with threads, and with an end to its patience.

Each thread waits for one client. gunicorn lets a client take as long as it likes over a request it has
begun, so that a handful of them could hold every thread; here one that keeps a thread waiting is cut off.
"""

from __future__ import annotations

import errno
import logging
import os
import socket
import time
from collections.abc import Callable
from typing import Any

from gunicorn import util
from gunicorn.app.base import BaseApplication
from gunicorn.glogging import Logger
from gunicorn.workers.gthread import ThreadWorker

LONGEST_WAIT_S = 30.0
"""For the next bytes of a client, and in all for a request that comes more slowly than this:"""
SLOWEST_BYTES_PER_S = 1000
MEMORY = "/dev/shm"


class Impatient(socket.socket):
    """A connection on which nobody is waited for without end."""

    waited_s = 0.0
    received = 0
    given_up = False

    def setblocking(self, flag: bool) -> None:
        """gunicorn calls this as a thread begins with a request, and as it is done with it."""
        if self.fileno() < 0:
            return  # closed by the thread already
        self.settimeout(LONGEST_WAIT_S if flag else 0)
        self.waited_s, self.received = 0.0, 0

    def recv(self, *args: Any) -> bytes:
        began = time.monotonic()
        try:
            got = super().recv(*args)
        except TimeoutError:
            raise self.gone() from None
        # Only what the client lets us wait counts, and not what the program does between.
        self.waited_s += time.monotonic() - began
        self.received += len(got)
        if self.waited_s > LONGEST_WAIT_S + self.received / SLOWEST_BYTES_PER_S:
            raise self.gone()
        return got

    def sendall(self, data: Any, *args: Any) -> None:
        # The whole of a page may take longer than this, each part of it may not.
        left = memoryview(data)
        while left:
            try:
                left = left[self.send(left, *args) :]
            except TimeoutError:
                raise self.gone() from None

    def gone(self) -> OSError:
        """What gunicorn takes for a client that went away: it says nothing of it, and closes."""
        self.given_up = True
        return ConnectionResetError(errno.ECONNRESET, "the client kept a thread waiting for too long")


class Worker(ThreadWorker):
    def enqueue_req(self, conn: Any) -> None:
        if not isinstance(conn.sock, Impatient):
            conn.sock = Impatient(fileno=conn.sock.detach())
        super().enqueue_req(conn)

    def handle(self, conn: Any) -> Any:
        """Close what is to be closed here and not, as gunicorn does, in the thread that serves all clients.

        A client that does not close its side is waited for, some two seconds, and nobody would be let in meanwhile.
        """
        kept = super().handle(conn)
        if not kept:
            close = util.close if conn.sock.given_up else util.close_graceful
            close(conn.sock)
        return kept


class Lines(Logger):
    """The server's own lines have the form of all others."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        if ours := logging.getLogger("buildlog").handlers:
            for handler in self.error_log.handlers:
                handler.setFormatter(ours[0].formatter)


class Server(BaseApplication):
    """`load_application` is called in each worker, once it runs."""

    def __init__(self, host: str, port: int, workers: int, load_application: Callable[[], Any]) -> None:
        self.bind = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
        self.workers, self.load_application = workers, load_application
        super().__init__()

    def load_config(self) -> None:
        for name, value in {
            "bind": self.bind,
            "workers": self.workers,
            "worker_class": Worker,
            "threads": 4,
            "timeout": 60,
            "loglevel": "warning",
            # Whom to believe about the client is decided in one place, buildlog.forwarded.
            "forwarded_allow_ips": "",
            "logger_class": Lines,
            "proc_name": "firnlog",
            # Each worker's sign of life is a file: on a disk it would wait for the disk, or fail where that is full.
            "worker_tmp_dir": MEMORY if os.access(MEMORY, os.W_OK) else None,
        }.items():
            self.cfg.set(name, value)

    def load(self) -> Any:
        return self.load_application()
