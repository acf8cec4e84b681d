"""Forms that wait while a record they want to choose is made on its own page.

What was typed is kept with the sign-in, on the server: the form comes back as it was, with the new record chosen. No
script is needed.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, QueryDict

MAKE = "make"
"""The name of the buttons that make a record for a field; their value is the name of the field."""
FOR = "for"
"""In the address of the page that makes the record: which form waits."""
KEPT, CHOSEN = "kept", "chosen"
_STORED = "kept_forms"
_MOST = 5
"""So many forms wait at most; the oldest goes first."""


@dataclass(frozen=True)
class KeptForm:
    """A form that waits: its address, what was typed, and the field that wants the new record."""

    token: str
    address: str
    field: str
    typed: QueryDict

    def coming_back(self, chosen: Any = None) -> str:
        """The form's address, with the new record chosen if there is one."""
        names = {KEPT: self.token} | ({} if chosen is None else {CHOSEN: str(chosen)})
        return f"{self.address}{'&' if '?' in self.address else '?'}{urlencode(names)}"

    def filled(self, chosen: str) -> QueryDict:
        """What was typed, with the new record chosen."""
        data = self.typed.copy()
        if chosen:
            data[self.field] = chosen
        return data


def keep(request: HttpRequest, field: str) -> KeptForm:
    """Keep the form that was sent."""
    typed = request.POST.copy()
    for name in ("csrfmiddlewaretoken", MAKE):
        typed.pop(name, None)
    query = request.GET.copy()
    for name in (KEPT, CHOSEN):
        query.pop(name, None)
    address = request.path + (f"?{query.urlencode()}" if query else "")
    kept = KeptForm(secrets.token_urlsafe(9), address, field, typed)
    waiting = dict(list(request.session.get(_STORED, {}).items())[-(_MOST - 1) :])
    request.session[_STORED] = waiting | {kept.token: [kept.address, kept.field, typed.urlencode()]}
    return kept


def waiting_form(request: HttpRequest, name: str = FOR) -> KeptForm | None:
    """The form that waits by the address of a page, or None where none does."""
    token = request.GET.get(name, "")
    stored = request.session.get(_STORED, {}).get(token) if token else None
    if stored is None:
        return None
    address, field, typed = stored
    return KeptForm(token, address, field, QueryDict(typed))
