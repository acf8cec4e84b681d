"""A fair wait for SQLite's write lock.

SQLite lets one connection write at a time, and its busy handler polls ever more slowly: after a quarter of a second
only ten times a second, so that a newcomer gets the lock first. With fifty writers some waited for 20 s and then got
"database is locked". Here the wait starts again every 50 ms, so that all poll equally often, up to the same `timeout`.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from django.db.backends.sqlite3 import base

RETRY_MS = 50
DEFAULT_TIMEOUT_S = 5.0


_open_connections: list[sqlite3.Connection] = []


def keep_open(path: Path | str) -> None:
    """Keep SQLite's WAL and shared-memory files open for as long as this process lives.

    The last connection to close removes them. On a full disk they could not be created again, and then the database
    could not even be read.
    """
    connection = sqlite3.connect(path, check_same_thread=False)
    connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    _open_connections.append(connection)


class WaitingCursor(base.SQLiteCursorWrapper):
    timeout_s = DEFAULT_TIMEOUT_S

    def execute(self, query: str, params: Any = None) -> Any:
        return self._retry_while_busy(super().execute, query, params)

    def executemany(self, query: str, param_list: Any) -> Any:
        # An iterator can be read only once, so a second try needs a list.
        return self._retry_while_busy(super().executemany, query, list(param_list))

    def _retry_while_busy(self, run: Callable[..., Any], *arguments: Any) -> Any:
        """Try again while another connection writes. Within a transaction we hold the lock, so "busy" is an error."""
        ends = time.monotonic() + self.timeout_s
        while True:
            try:
                return run(*arguments)
            except sqlite3.OperationalError as error:
                code = getattr(error, "sqlite_errorcode", 0)
                if code & 0xFF != sqlite3.SQLITE_BUSY or self.connection.in_transaction or time.monotonic() > ends:
                    raise


class DatabaseWrapper(base.DatabaseWrapper):
    def get_new_connection(self, conn_params: dict[str, Any]) -> Any:
        connection = super().get_new_connection(conn_params)
        connection.execute(f"PRAGMA busy_timeout = {RETRY_MS}")
        return connection

    def create_cursor(self, name: str | None = None) -> WaitingCursor:
        cursor: WaitingCursor = self.connection.cursor(factory=WaitingCursor)
        cursor.timeout_s = self.settings_dict["OPTIONS"].get("timeout", DEFAULT_TIMEOUT_S)
        return cursor
