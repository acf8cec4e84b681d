"""A logger's file from its columns to its charts, on both screens; a million rows of it open and can be used."""

import xml.etree.ElementTree as ElementTree
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image
from playwright.sync_api import expect

from sessions.logs.column_guess import guess
from sessions.logs.csv_layout import find_layout
from sessions.logs.ingest import read_stored, store_log
from sessions.models import Session
from tests.browser import known_clip
from tests.browser.accessibility import broken_rules
from tests.browser.test_main_job import fits
from tests.browser.test_sofa import drawn, season

pytestmark = pytest.mark.django_db(transaction=True)
__all__ = ["season"]

ROWS = 1_000_000
SPIKE_ROW, SPIKE_V = 654_321, 71.25


def logger_file():
    lines = ["Zeit [s];U [V];I [A];Speed [km/h];Motor Temp [°C]"]
    for n in range(600):
        cells = (n / 2, 54 - (n % 9) / 10, 20 + n % 30, 20 + 10 * np.sin(n / 30), 20 + n / 40)
        lines.append(";".join(f"{cell:.2f}".replace(".", ",") for cell in cells))
    return "\r\n".join([*lines, ""]).encode("cp1252")


def look_closer(page):
    page.locator("#closer > summary").click()
    expect(page.locator("#closer-acts")).to_be_visible()


def stored(session, name="ride.csv", content=None):
    log = store_log(session, SimpleUploadedFile(name, content or logger_file()))
    with log.original.open("rb") as held:
        head = find_layout(held, log.size_bytes)
    read_stored(log, head.layout, guess(head.layout, head.rows))
    return log


LIBRARY = "() => performance.getEntriesByType('resource').some((one) => /plotly/.test(one.name))"
# Whether every line that is drawn lies within its panel, between the left and the right edge.
WITHIN = """() => [...document.querySelectorAll("#panels .plot")].every((plot) => {
  const box = plot.getBoundingClientRect();
  return [...plot.querySelectorAll(".line")].every((line) => {
    const to = line.getScreenCTM();
    const points = line.getAttribute("d").slice(1).split("L").map((pair) => pair.split(" ").map(Number));
    return points.every(([x, y]) => { const at = new DOMPoint(x, y).matrixTransform(to);
      return at.x < box.left || at.x > box.right || (at.y >= box.top && at.y <= box.bottom); });
  }); })"""


def test_a_loggers_file_becomes_charts_and_numbers(page, live_server, season, photograph):
    session = Session.objects.order_by("started_at").first()
    page.goto(f"{live_server.url}/sessions/{session.pk}/new-log/")
    file = {"name": "ride.csv", "mimeType": "text/csv", "buffer": logger_file()}
    page.get_by_label("Log of any logger").set_input_files(file)
    page.get_by_role("button", name="Import").click()
    text = page.text_content("main")
    assert "Western European (Windows-1252)" in text
    assert page.locator("select#column_1").input_value() == "voltage_v|V"
    assert page.locator("select#column_3").input_value() == "speed_mps|km/h"
    photograph("columns")
    assert fits(page)
    assert broken_rules(page) == []
    page.get_by_role("button", name="Import").click()
    drawn(page)
    # The picture is the server's: a phone reads the chart library only when somebody looks closer.
    expect(page.locator("#first-picture svg").first).to_be_visible()
    look_closer(page)
    expect(page.locator("#panels .plot").first).to_be_visible()
    # A phone takes ten seconds to read the chart library; this page does without.
    assert not page.evaluate(LIBRARY)
    text = page.text_content("main")
    for words in ("Energy used", "Peak power", "Hottest motor", "Clocks"):
        assert words in text
    page.get_by_label("Cursor").fill("500")
    expect(page.locator("#cursor-says")).to_contain_text("00:02:29")
    expect(page.locator("#cursor-says")).to_contain_text("voltage")
    page.get_by_role("button", name="Closer").click()
    expect(page.locator("#recordings")).to_have_attribute("data-refined", "yes")
    photograph("recordings")
    assert fits(page)
    assert broken_rules(page) == []


def test_values_are_pinned_and_a_clip_follows_the_cursor_once_an_instant_is_marked_in_both(
    page, live_server, season, photograph
):
    session = Session.objects.order_by("started_at").first()
    stored(session)
    page.goto(f"{live_server.url}/sessions/{session.pk}/recordings/")
    look_closer(page)
    for place in ("200", "800"):
        page.get_by_label("Cursor").fill(place)
        page.get_by_role("button", name="Pin these values").click()
    pins = page.locator("#pins")
    expect(pins.locator("tbody tr").first).to_contain_text("179.7 s")
    expect(pins).to_contain_text("last − first")
    # They stay as they are while the cursor goes on, and go one by one.
    page.get_by_label("Cursor").fill("500")
    expect(page.locator("#cursor-says")).to_contain_text("00:02:29")
    expect(pins.locator("tbody tr").first).to_contain_text("179.7 s")
    photograph("pins")
    page.get_by_role("button", name="Unpin 00:00:59.90").click()
    expect(pins).not_to_contain_text("last − first")
    # The frame at 1 s of the clip is the instant of the cursor, 149.75 s into the session.
    page.locator("#clip-beside summary").click()
    clip = known_clip.make(page, list(range(0, 4000, 40)))
    file = {"name": "clip.webm", "mimeType": "video/webm", "buffer": clip}
    page.get_by_label("Clip", exact=True).set_input_files(file)
    says = page.locator("#clip-says")
    expect(says).to_contain_text("Go to an instant that can be seen in both")
    page.get_by_role("button", name="+1 s", exact=True).click()
    expect(says).to_contain_text("Frame at 1.00 s of the clip")
    page.get_by_role("button", name="This frame is the cursor's instant").click()
    expect(says).to_contain_text("149.75 s into the session")
    page.get_by_role("button", name="+1 s", exact=True).click()
    expect(page.locator("#cursor-says")).to_contain_text("00:02:30.75")
    # And the other way: 149.75 + 0.30 s is the frame at 1.28 s, the last one by then.
    page.get_by_label("Cursor").fill("501")
    expect(says).to_contain_text("Frame at 1.28 s of the clip")
    assert fits(page)
    assert broken_rules(page) == []


def shown_s(page):
    """The stretch that is shown, as the link that saves it has it."""
    query = parse_qs(urlsplit(page.locator("[data-slice]").first.get_attribute("href")).query)
    return float(query["from_s"][0]), float(query["to_s"][0])


def test_the_charts_follow_a_finger_and_are_saved_as_pictures(page, live_server, season):
    session = Session.objects.order_by("started_at").first()
    stored(session)
    page.goto(f"{live_server.url}/sessions/{session.pk}/recordings/")
    look_closer(page)
    page.get_by_role("button", name="Closer").click()
    from_s, to_s = shown_s(page)
    plot = page.locator("#panels .plot").first
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    middle, across = box["y"] + box["height"] / 2, box["width"]
    page.mouse.move(box["x"] + 0.75 * across, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.25 * across, middle, steps=5)
    page.mouse.up()
    # Half a screen to the left is half of what is shown farther on; what was under the finger stays under it.
    moved_s, end_s = shown_s(page)
    assert moved_s - from_s == pytest.approx((to_s - from_s) / 2, rel=0.02)
    assert end_s - moved_s == pytest.approx(to_s - from_s)
    page.mouse.click(box["x"] + 0.5 * across, middle)
    at_s = (moved_s + end_s) / 2
    expect(page.locator("#cursor-says")).to_contain_text(f"00:{int(at_s) // 60:02}:{int(at_s) % 60:02}")
    # Beside the title of the panel, too.
    expect(page.locator("#panels .line-panel").nth(1).locator("strong")).to_contain_text("5")
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save as SVG").click()
    svg = ElementTree.parse(saved.value.path()).getroot()
    assert len(svg.findall(".//{http://www.w3.org/2000/svg}path[@d]")) >= 4
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save as PNG").click()
    with Image.open(saved.value.path()) as picture:
        assert picture.size[0] == 1100
        assert len(picture.convert("L").getcolors()) > 10


@pytest.mark.parametrize("missing", ["**/window/**", "**/line-panels*.js"])
def test_without_an_answer_the_picture_stays_and_the_page_says_so(page, live_server, season, missing):
    session = Session.objects.order_by("started_at").first()
    stored(session)
    page.goto(f"{live_server.url}/sessions/{session.pk}/recordings/")
    page.route(missing, lambda route: route.fulfill(status=422))
    page.locator("#closer > summary").click()
    expect(page.locator("#closer")).to_contain_text("The lines have not come.")
    expect(page.locator("#first-picture")).to_be_visible()
    page.unroute(missing)
    page.locator("#closer > summary").click()
    page.locator("#closer > summary").click()
    expect(page.locator("#closer-acts")).to_be_visible()


def test_one_instant_is_marked_in_two_logs_by_the_cursor(page, live_server, season):
    session = Session.objects.order_by("started_at").first()
    first, second = stored(session), stored(session, "other.csv", logger_file().replace(b"U [V]", b"Volt [V]"))
    page.goto(f"{live_server.url}/sessions/{session.pk}/recordings/")
    look_closer(page)
    clocks = page.locator("#clocks")
    if clocks.get_attribute("open") is None:
        clocks.locator("summary").first.click()
    place = clocks.locator(".ruled").filter(has=page.get_by_role("link", name=second.name))
    place.get_by_role("button", name="Take the cursor's").first.click()
    expect(page.locator("#cursor-says")).to_contain_text("Put the cursor on the instant first.")
    # What is pinned is offered in the fields, so that nobody scrolls between charts and form.
    page.get_by_label("Cursor").fill("300")
    page.get_by_role("button", name="Pin these values").click()
    assert page.locator("#pinned option").evaluate_all("every => every.map((option) => option.value)") == ["89.85"]
    for cursor, button in (("500", 0), ("600", 1)):
        page.get_by_label("Cursor").fill(cursor)
        place.get_by_role("button", name="Take the cursor's").nth(button).click()
    place.get_by_role("button", name="Bring them together").click()
    # A tenth of the bar is a tenth of the 299.5 s that are shown.
    expect(page.get_by_text(f"{second.name} begins 29.95 s into the session.")).to_be_visible()
    first.refresh_from_db()
    second.refresh_from_db()
    assert (round(first.begins_s, 2), round(second.begins_s, 2)) == (0.0, 29.95)


def test_a_million_rows_open_with_every_peak(page, live_server, season):
    session = Session.objects.order_by("started_at").first()
    times = np.arange(ROWS) / 100
    volts = 54 - 0.5 * np.sin(times / 40)
    volts[SPIKE_ROW] = SPIKE_V
    rows = "\n".join(f"{time:.2f},{volt:.3f}" for time, volt in zip(times.tolist(), volts.tolist(), strict=True))
    stored(session, "long.csv", f"time,volts\n{rows}\n".encode())
    page.goto(f"{live_server.url}/sessions/{session.pk}/recordings/")
    with page.expect_response("**/window/**") as answer:
        look_closer(page)
    [line] = answer.value.json()["lines"]
    points = [value / 10 ** line["digits"] for value in line["values"]]
    assert len(points) < 2100
    # The one spike of a hundredth of a second is still there, and by itself after coming closer.
    assert max(points) == SPIKE_V
    for _ in range(8):
        page.get_by_label("Cursor").fill("654")
        page.get_by_role("button", name="Closer").click()
        expect(page.locator("#recordings")).to_have_attribute("data-refined", "yes")
        # The scale is drawn anew where the lines leave it.
        page.wait_for_function(WITHIN)
    # The page answers while it shows it all: a click runs within a frame or a few.
    waited_ms = page.evaluate(
        "() => new Promise((done) => { const begun = performance.now();"
        " requestAnimationFrame(() => setTimeout(() => done(performance.now() - begun), 0)); })"
    )
    assert waited_ms < 2000
