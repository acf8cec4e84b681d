"""A slow phone before a server of its own, for what is timed in the browser."""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.browser.chromium import FLAGS, installed_chromium
from tests.browser.installation import Installation

THROTTLED = 4
"""How many times slower the processor of the phone is."""


@contextmanager
def throttled_phone(fill: str, script: str) -> Iterator[tuple[Any, str, Any]]:
    """A page of 390x844, the address of the server, and what the filling says of its pages.

    fill: Python that fills an empty database, and leaves in `pages.json` of the data folder the name and value of a
    sign-in's cookie, and what to say of the pages. script: a function of JavaScript that each page runs first.
    """
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory(prefix="throttled-phone-") as folder:
        installation = Installation(Path(folder) / "data")
        installation.folder.mkdir()
        for command in (("migrate", "--verbosity=0"), ("shell", "--verbosity=0", "-c", fill)):
            answer = installation.run(*command)
            if answer.returncode:
                sys.exit(answer.stdout)
        key, value, pages = json.loads((installation.folder / "pages.json").read_text())
        installation.start()
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=installed_chromium(), args=FLAGS)
                context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
                context.add_cookies([{"name": key, "value": value, "url": installation.url}])
                page = context.new_page()
                page.add_init_script(f"({script})()")
                context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": THROTTLED})
                yield page, installation.url, pages
        finally:
            installation.kill()
