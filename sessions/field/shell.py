"""The field page's shell: one document and its files, in one version, the same for everybody.

It carries nothing of any account, so that a phone may keep it and open it without a network.
"""

from __future__ import annotations

import hashlib
import json
from functools import lru_cache
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.staticfiles.storage import ManifestFilesMixin, staticfiles_storage
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import get_template
from django.templatetags.static import static
from django.urls import reverse

from buildlog.hosting.answer_headers import PERMISSIONS_TO_RECORD

FOLDER = settings.PROJECT / "static"
WORKER = FOLDER / "field" / "worker.js"
ENTRY = "field/start.js"
TEMPLATE = "field/field.html"


def shell_files() -> list[Path]:
    """What the page is made of besides its document; the worker itself is not one of them."""
    scripts = [path for path in sorted((FOLDER / "field").glob("*.js")) if path != WORKER]
    return [FOLDER / "css" / "tokens.css", *sorted((FOLDER / "field").glob("*.css")), FOLDER / "icon.svg", *scripts]


def _fingerprint() -> str:
    template: Any = get_template(TEMPLATE)  # the stubs know no `origin`
    document = Path(template.origin.name)
    parts = [path.read_bytes() for path in (document, WORKER, *shell_files())]
    # The document also carries what the base URL decides.
    surroundings = f"{settings.CSRF_COOKIE_NAME} {settings.LEFT_COOKIE_NAME} {settings.STATIC_URL}".encode()
    return hashlib.sha256(b"\0".join([surroundings, *parts])).hexdigest()[:12]


_cached_fingerprint = lru_cache(maxsize=1)(_fingerprint)


def version() -> str:
    """Names the content of the shell: any change to a file of it is a new version."""
    return _fingerprint() if settings.DEBUG else _cached_fingerprint()


def addresses() -> list[str]:
    """What a phone fetches: the scripts as one file where they were collected (`ModuleStorage`)."""
    are_collected = isinstance(staticfiles_storage, ManifestFilesMixin) and not settings.DEBUG
    names = [path.relative_to(FOLDER).as_posix() for path in shell_files()]
    return [static(name) for name in names if not are_collected or name == ENTRY or not name.endswith(".js")]


def document(request: HttpRequest) -> HttpResponse:
    context = {
        "version": version(),
        "modules": [address for address in addresses() if address.endswith(".js")],
        "csrf_cookie": settings.CSRF_COOKIE_NAME,
        "left_cookie": settings.LEFT_COOKIE_NAME,
    }
    response = HttpResponse(get_template(TEMPLATE).render(context))
    # The phone keeps it under its version; between the two, nobody else may.
    response["Cache-Control"] = "no-cache"
    response["X-Firnlog-Shell"] = version()
    response["Permissions-Policy"] = PERMISSIONS_TO_RECORD
    return response


def worker() -> HttpResponse:
    shell = {"version": version(), "page": reverse("field"), "files": addresses()}
    source = f"const SHELL = {json.dumps(shell)};\n{WORKER.read_text()}"
    response = HttpResponse(source, content_type="text/javascript; charset=utf-8")
    response["Cache-Control"] = "no-cache"
    response["Service-Worker-Allowed"] = reverse("field")
    return response


def manifest() -> JsonResponse:
    """Lets the page be installed on a phone's home screen, where phones keep its records longest."""
    return JsonResponse(
        {
            "name": "Firnlog at the lake",
            "short_name": "Firnlog",
            "start_url": reverse("field"),
            "scope": reverse("field"),
            "display": "standalone",
            "background_color": "#edf1f3",
            "theme_color": "#0f2130",
            "icons": [{"src": static("icon.svg"), "sizes": "any", "type": "image/svg+xml"}],
        },
        content_type="application/manifest+json",
    )
