"""Where sign-ins are kept: in the database; while that takes nothing, a new one is kept in its own cookie.

So a full disk keeps nobody from reading. The cookie is signed, and good for a day; it ends, as any other, with the
account's password, its being shut, and the end of all its sign-ins. As soon as something can be written again it
becomes one of the database. What a session would note besides (a message that was read, the day it was seen) is left
out meanwhile.
"""

from __future__ import annotations

import logging
from typing import Any

from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends import db
from django.contrib.sessions.backends.base import UpdateError
from django.core import signing
from django.db import DatabaseError

from buildlog.storage.full_disk import left_out_when_full, takes_nothing

IN_COOKIE = "in-cookie."
"""How such a key begins; the database's have no such signs in them."""
SALT = "buildlog.people.sign_in_store"
KEPT_FOR_S = 24 * 3600
OF_THE_SIGN_IN = (SESSION_KEY, BACKEND_SESSION_KEY, HASH_SESSION_KEY)

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
            self._session_key = None  # Perhaps the database takes it by now.
        try:
            super().save(must_create)
        except UpdateError as error:
            if not takes_nothing(error, or_is_busy=True):
                raise  # It was ended meanwhile.
            if self._is_another_sign_in():
                self._keep_in_cookie()
            else:
                logger.warning("Nothing can be written, so this is left out: what a session notes.")
        except DatabaseError as error:
            if not must_create or not takes_nothing(error):
                raise
            self._keep_in_cookie()

    def delete(self, session_key: str | None = None) -> None:
        if _is_in_cookie(session_key or self.session_key):
            return
        with left_out_when_full("the end of a session"):
            super().delete(session_key)

    def _keep_in_cookie(self) -> None:
        data = self._get_session(no_load=True)  # type: ignore[attr-defined]  # the stubs leave it out
        self._session_key = IN_COOKIE + signing.dumps(data, salt=SALT, compress=True)

    def _is_another_sign_in(self) -> bool:
        """Whether somebody else is signed in by now than the database knows of, or nobody."""
        stored = type(self)(self.session_key).load()
        return any(stored.get(name) != self.get(name) for name in OF_THE_SIGN_IN)


def _is_in_cookie(session_key: str | None) -> bool:
    return bool(session_key and session_key.startswith(IN_COOKIE))
