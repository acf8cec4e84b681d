"""How long the pages of the demo keep a slow phone from answering a touch: `python -m tests.page_blocking`.

A server with the demo is started in a folder of its own; every page is opened at 390x844 with the processor throttled
four times. Printed is the blocked time of each page: what tasks of the browser take beyond 50 ms, added up (W3C, Long
Tasks API), from the request to half a second after the page is loaded.
"""

from __future__ import annotations

from tests.browser.installation import PASSWORD
from tests.throttled_phone import throttled_phone

GOAL_MS = 300.0
LOAD = f"""
import json
from django.conf import settings
from django.test import Client
from buildlog.models import Account
from sessions.demo import loading
from tests.browser.every_page import addresses
loading.load()
owner = Account.objects.create_user("ilo", password="{PASSWORD}", role="owner")
visitor = Client()
visitor.force_login(owner, settings.AUTHENTICATION_BACKENDS[-1])
cookie = visitor.cookies[settings.SESSION_COOKIE_NAME]
(settings.DATA / "pages.json").write_text(json.dumps([cookie.key, cookie.value, addresses(owner)]))
"""
OBSERVE = """() => { globalThis.blocked = 0; new PerformanceObserver((list) => {
  for (const task of list.getEntries()) globalThis.blocked += Math.max(0, task.duration - 50);
}).observe({ type: "longtask", buffered: true }); }"""


def measure() -> dict[str, float]:
    """Milliseconds for each page by its name."""
    with throttled_phone(LOAD, OBSERVE) as (page, url, pages):
        blocked = {}
        for name, path in {**pages, "field": "/field/"}.items():
            page.goto(url + path)
            page.wait_for_timeout(500)
            blocked[name] = float(page.evaluate("() => globalThis.blocked"))
        return blocked


def main() -> None:
    blocked = measure()
    for name, ms in sorted(blocked.items(), key=lambda row: -row[1]):
        goal = "" if ms < GOAL_MS else "  missed"
        print(f"{ms:7.0f} ms  {name}{goal}")
    missed = [name for name, ms in blocked.items() if ms >= GOAL_MS]
    print(f"{len(blocked)} pages, {len(missed)} over {GOAL_MS:.0f} ms: {', '.join(missed) or 'none'}")


if __name__ == "__main__":
    main()
