"""Compressed answers, also without a proxy; and which are never compressed.

Compression makes a secret's text guessable, letter by letter, to somebody who reads the lengths of encrypted answers
and decides what stands beside the secret in them (BREACH; Gluck, Harris and Prado, 2013). So compressed is only what
holds none:

- an answer to GET: links, keys and passwords are shown once, in the answer to a POST, and so is what was typed;
- of a page that needs a sign-in, or of the API: the others have their secret in the address and in the page
  (invitations, links for a new password, shared pages), or a password beside what was sent.

What is left holds the token against forged forms, which the framework masks anew in each answer, and the framework
pads each compressed answer to a random length.
"""

from __future__ import annotations

from django.http import HttpRequest, HttpResponseBase
from django.middleware.gzip import GZipMiddleware

TYPES = ("text/html", "application/json")


class Compression(GZipMiddleware):
    """Place after the static files, which are stored compressed, and before all that makes pages."""

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        if may_be_compressed(request, response):
            return super().process_response(request, response)
        return response


def may_be_compressed(request: HttpRequest, response: HttpResponseBase) -> bool:
    """Whether nothing in the answer is a secret, and its kind gains by it."""
    match = request.resolver_match
    if match is None or request.method not in ("GET", "HEAD"):
        return False
    # The rights of the API's views are checked by the views, so that no middleware asks for a sign-in.
    is_for_accounts = getattr(match.func, "login_required", True) or hasattr(match.func, "cls")
    return is_for_accounts and response.headers.get("Content-Type", "").partition(";")[0].strip() in TYPES
