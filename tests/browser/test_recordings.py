"""A logger's file from its columns to its charts, on both screens; a million rows of it open and can be used."""

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
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
# Whether what is shown lies between the ends of its panel.
WITHIN = """() => { const { data, layout } = document.getElementById("panels"); const [from, to] = layout.xaxis.range;
  return data.every(({ yaxis = "y", x, y }) => { const [bottom, top] = layout[yaxis.replace("y", "yaxis")].range;
    return y.every((value, place) => x[place] < from || x[place] > to || (value >= bottom && value <= top)); }); }"""


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
    assert not page.evaluate(LIBRARY)
    look_closer(page)
    expect(page.locator("#panels .main-svg").first).to_be_visible()
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
    look_closer(page)
    points = page.evaluate("() => document.getElementById('panels').data[0].y")
    assert len(points) < 1100
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
