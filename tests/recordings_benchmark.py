"""How long a phone takes over a long recording: `python -m tests.recordings_benchmark`.

A server of its own holds one session with a log of a million rows of eight columns. Its page is opened at 390x844 with
the processor throttled four times: the first picture, *Look closer*, and then pans and zooms. Of each of these the
time until the picture has moved, and until its finer lines are drawn, from the touch to the frame after. Ends with 1
where a goal is missed.
"""

from __future__ import annotations

import sys
from typing import Any

from tests.browser.installation import PASSWORD
from tests.throttled_phone import throttled_phone

ROWS = 1_000_000
FIRST_PICTURE_MS, CLOSER_MS, FINER_MS = 2000.0, 1000.0, 300.0
LOAD = f"""
import io, json
import numpy as np
from django.conf import settings
from django.core.files.base import ContentFile
from django.test import Client
from buildlog.models import Account, Revision, Vehicle
from sessions.logs.columns import ColumnWriter
from sessions.models import Log, Session, Venue
chance, row = np.random.default_rng(1), np.arange({ROWS})
columns = {{
    "time_s": row / 100,
    "voltage_v": np.round(52 + chance.normal(0, 0.05, row.size), 3),
    "current_a": np.round(chance.normal(30, 20, row.size), 2),
    "speed_mps": np.round(np.abs(chance.normal(10, 2, row.size)), 3),
    "wheel_speed_mps": np.round(np.abs(chance.normal(11, 2, row.size)), 3),
    **{{f"{{name}}_temperature_c": np.round(20 + row / 50_000, 1) for name in ("battery", "motor", "controller")}},
}}
file = io.BytesIO()
with ColumnWriter(file) as writer:
    writer.add(columns)
revision = Revision.objects.create(vehicle=Vehicle.objects.create(name="Sled"), number=1, date="2026-01-10")
lake = Venue.objects.create(name="Lake")
session = Session.objects.create(revision=revision, venue=lake, started_at="2026-01-17T11:00:00Z")
log = Log(session=session, kind="csv", state="read", row_count=row.size, size_bytes=9, sha256="0" * 64, name="a")
log.columns.save("", ContentFile(file.getvalue()), save=False)
log.save()
owner = Account.objects.create_user("ilo", password="{PASSWORD}", role="owner")
visitor = Client()
visitor.force_login(owner, settings.AUTHENTICATION_BACKENDS[-1])
cookie = visitor.cookies[settings.SESSION_COOKIE_NAME]
path = f"/sessions/{{session.pk}}/recordings/"
(settings.DATA / "pages.json").write_text(json.dumps([cookie.key, cookie.value, path]))
"""
# The time since navigation at which the server's picture has been painted.
PICTURED = """() => { const look = () => document.querySelector("#first-picture path.line")
    ? requestAnimationFrame(() => setTimeout(() => { globalThis.picturedMs = performance.now(); }, 0))
    : requestAnimationFrame(look); look(); }"""
OPENED = """() => new Promise((done) => { const begun = performance.now();
  document.querySelector("#closer > summary").click();
  const look = () => document.getElementById("closer-acts").hidden ? setTimeout(look, 0)
    : requestAnimationFrame(() => setTimeout(() => done(performance.now() - begun), 0)); look(); })"""
# From a click to the frame with the moved picture, and to that with the finer lines.
MOVED = """(button) => new Promise((done) => { const section = document.getElementById("recordings");
  const begun = performance.now(); let moved = 0; performance.clearResourceTimings();
  const painted = (then) => requestAnimationFrame(() => setTimeout(() => then(performance.now() - begun), 0));
  section.querySelector(button).click();
  painted((ms) => { moved = ms; });
  const look = () => section.dataset.refined !== "yes" || !moved ? setTimeout(look, 0) : painted((finer) => {
    const asked = performance.getEntriesByType("resource").filter(({ name }) => /window/.test(name))[0];
    done({ moved, finer, server: asked ? asked.responseStart - asked.requestStart : 0,
      answered: asked ? asked.responseEnd - asked.startTime : 0, bytes: asked ? asked.encodedBodySize : 0 }); });
  look(); })"""
WAY = (
    *('[data-zoom="0.5"]',) * 4, *('[data-move="0.5"]',) * 3, *('[data-move="-0.5"]',) * 2,
    *('[data-zoom="0.5"]',) * 4, *('[data-move="0.5"]',) * 3, *('[data-zoom="2"]',) * 3, "[data-whole]",
)  # fmt: skip
SIZES = """() => ({ page: performance.getEntriesByType("navigation")[0].decodedBodySize,
  wire: performance.getEntriesByType("navigation")[0].encodedBodySize,
  script: performance.getEntriesByType("resource").filter(({ name }) => /[.]js/.test(name))
    .reduce((sum, { decodedBodySize }) => sum + decodedBodySize, 0) })"""


def measure() -> dict[str, Any]:
    """Milliseconds and bytes, in the order in which a person does it."""
    with throttled_phone(LOAD, PICTURED) as (page, url, path):
        pictured = []
        for _ in range(3):
            page.goto(url + path)
            page.wait_for_function("() => globalThis.picturedMs")
            pictured.append(float(page.evaluate("() => globalThis.picturedMs")))
        page.wait_for_timeout(1000)
        opened = float(page.evaluate(OPENED))
        sizes = page.evaluate(SIZES)
        page.wait_for_timeout(1000)
        moves = []
        for button in WAY:
            moves.append((button, page.evaluate(MOVED, button)))
            page.wait_for_timeout(300)
        return {"pictured": pictured, "opened": opened, "sizes": sizes, "moves": moves}


def main() -> int:
    measured = measure()
    missed = 0

    def hold(what: str, ms: float, goal_ms: float) -> None:
        nonlocal missed
        missed += ms > goal_ms
        print(f"{'MISSED' if ms > goal_ms else 'ok':7} {what}: {ms:.0f} ms (goal: at most {goal_ms:.0f})")

    sizes = measured["sizes"]
    print(f"page {sizes['page']} bytes ({sizes['wire']} on the wire), script {sizes['script']} bytes")
    for button, move in measured["moves"]:
        print(
            f"        {button:18} moved {move['moved']:4.0f}, finer {move['finer']:4.0f} ms; "
            f"server {move['server']:4.0f}, answered {move['answered']:4.0f} ms, {move['bytes']} bytes"
        )
    first, *later = measured["pictured"]
    hold("first picture, cold", first, FIRST_PICTURE_MS)
    hold("first picture, later", max(later), FIRST_PICTURE_MS)
    hold("Look closer", measured["opened"], CLOSER_MS)
    finer = [move["finer"] for _, move in measured["moves"]]
    hold(f"a picture moved, slowest of {len(finer)}", max(move["moved"] for _, move in measured["moves"]), FINER_MS)
    hold(f"its finer lines, slowest of {len(finer)}", max(finer), FINER_MS)
    print(f"{missed} goals missed")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
