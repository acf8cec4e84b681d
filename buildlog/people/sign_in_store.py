"""Stores sign-ins in the database or, while nothing can be written to it, a new one in its own cookie.

So a full disk keeps nobody from reading. The cookie is signed and valid for a day. Like any other sign-in it ends when
the account's password changes, the account is closed, or all its sign-ins are ended. Once the database can be written
again, the sign-in moves there. Other session data (a message that was read, the day it was seen) is skipped meanwhile.
"""

from __future__ import annotations

import logging
from typing import Any

from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends import db
from django.contrib.sessions.backends.base import UpdateError
from django.core import signing
from django.db import DatabaseError

from buildlog.storage.full_disk import cannot_write, skip_when_full

IN_COOKIE = "in-cookie."
"""Prefix of a key in a cookie; keys in the database contain no such characters."""
SALT = "buildlog.people.sign_in_store"
KEPT_FOR_S = 24 * 3600
SIGN_IN_KEYS = (SESSION_KEY, BACKEND_SESSION_KEY, HASH_SESSION_KEY)

logger = logging.getLogger(__name__)


class SessionStore(db.SessionStore):
    def load(self) -> dict[str, Any]:
        key = self.session_key
        if key is None or not _is_in_cookie(key):
            return super().load()
        try:
            data: dict[str, Any] = signing.loads(key.removeprefix(IN_COOKIE), salt=SALT, max_age=KEPT_FOR_S)
            return data
        except signing.BadSignature:
            self._session_key = None
            return {}

    def save(self, must_create: bool = False) -> None:
        if _is_in_cookie(self.session_key):
            self._get_session()  # type: ignore[attr-defined]  # the stubs leave it out
            self._session_key = None  # Try the database again.
        try:
            super().save(must_create)
        except UpdateError as error:
            if not cannot_write(error, or_is_busy=True):
                raise  # The session was ended meanwhile.
            if self._is_another_sign_in():
                self._keep_in_cookie()
            else:
                logger.warning("Nothing can be written, so this is skipped: session data.")
        except DatabaseError as error:
            if not must_create or not cannot_write(error):
                raise
            self._keep_in_cookie()

    def delete(self, session_key: str | None = None) -> None:
        if _is_in_cookie(session_key or self.session_key):
            return
        with skip_when_full("the end of a session"):
            super().delete(session_key)

    def _keep_in_cookie(self) -> None:
        data = self._get_session(no_load=True)  # type: ignore[attr-defined]  # the stubs leave it out
        self._session_key = IN_COOKIE + signing.dumps(data, salt=SALT, compress=True)

    def _is_another_sign_in(self) -> bool:
        """Whether the signed-in account differs from the one in the database, or nobody is signed in."""
        stored = type(self)(self.session_key).load()
        return any(stored.get(name) != self.get(name) for name in SIGN_IN_KEYS)


def _is_in_cookie(session_key: str | None) -> bool:
    return bool(session_key and session_key.startswith(IN_COOKIE))
