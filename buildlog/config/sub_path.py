"""Serving under a sub-path of an address, whether the proxy in front passes it on or takes it off."""

from __future__ import annotations

import codecs
from collections.abc import Callable, Iterable
from typing import Any

from django.utils.http import parse_header_parameters


class UnderSubPath:
    """One rule for proxies that pass the sub-path on and for those that take it off: a path that begins
    with it loses it here, any other has lost it on the way. A system check refuses a sub-path that could
    be taken for one of the site's own pages."""

    def __init__(self, application: Callable[..., Iterable[bytes]], sub_path: str) -> None:
        self.application, self.sub_path = application, sub_path

    def __call__(self, environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        if not _can_be_read(environ.get("CONTENT_TYPE", "")):
            start_response("400 Bad Request", [("Content-Type", "text/plain"), ("X-Content-Type-Options", "nosniff")])
            return [b"What came is in no encoding of text. Send it as UTF-8."]
        path = environ.get("PATH_INFO", "")
        environ["firnlog.path_as_sent"] = path
        if self.sub_path and f"{path}/".startswith(f"{self.sub_path}/"):
            environ["PATH_INFO"] = path.removeprefix(self.sub_path)
        return self.application(environ, start_response)


def _can_be_read(content_type: str) -> bool:
    """Whether the framework can go by the charset: Python also knows some by which no text is written, such as hex."""
    try:
        charset = parse_header_parameters(content_type)[1].get("charset", "")
    except ValueError:
        return False  # the name of the charset is itself in one that is none
    try:
        codecs.lookup(charset)
    except LookupError:
        return True  # there is no such charset, and the framework passes over it
    except ValueError:
        return False
    for errors in ("strict", "replace"):
        try:
            b"a=1".decode(charset, errors)
        except UnicodeDecodeError:
            pass
        except (LookupError, ValueError):
            return False
    return True
