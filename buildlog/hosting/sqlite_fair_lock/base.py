"""SQLite lets one write at a time, and those who wait look again ever more seldom.

After a quarter of a second they look ten times a second only, and whoever comes fresh takes the turn from them:
with fifty writers some waited in vain for 20 s, and were told that the database is locked. Here the waiting
begins anew every 50 ms, so that all look equally often, up to the same `timeout` as before.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from django.db.backends.sqlite3 import base

LOOK_ANEW_MS = 50
DEFAULT_TIMEOUT_S = 5.0


_kept_open: list[sqlite3.Connection] = []


def keep_open(path: Path | str) -> None:
    """Hold the files that SQLite keeps beside a database, for as long as this process lives.

    Whoever closes the database last removes them, and on a full disk there is no room to make them again: then it
    could not even be read.
    """
    connection = sqlite3.connect(path, check_same_thread=False)
    connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    _kept_open.append(connection)


class WaitingCursor(base.SQLiteCursorWrapper):
    timeout_s = DEFAULT_TIMEOUT_S

    def execute(self, query: str, params: Any = None) -> Any:
        return self._in_turn(super().execute, query, params)

    def executemany(self, query: str, param_list: Any) -> Any:
        # What can be read only once cannot be tried twice.
        return self._in_turn(super().executemany, query, list(param_list))

    def _in_turn(self, run: Callable[..., Any], *arguments: Any) -> Any:
        """Try again while another writes. Within a transaction the turn is ours: being busy is something else then."""
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
        connection.execute(f"PRAGMA busy_timeout = {LOOK_ANEW_MS}")
        return connection

    def create_cursor(self, name: str | None = None) -> WaitingCursor:
        cursor: WaitingCursor = self.connection.cursor(factory=WaitingCursor)
        cursor.timeout_s = self.settings_dict["OPTIONS"].get("timeout", DEFAULT_TIMEOUT_S)
        return cursor
