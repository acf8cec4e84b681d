"""Charts keep to their boxes when the phone turns or its address bar hides; paper shows only what can be read there."""

import pytest
from playwright.sync_api import expect

from buildlog.models import Failure, Revision
from sessions.models import Log, Session
from tests.browser.test_main_job import fits
from tests.browser.test_recordings import logger_file
from tests.browser.test_sofa import drawn, season

pytestmark = pytest.mark.django_db(transaction=True)
__all__ = ["season"]

# Upright, turned, and upright with the address bar shown.
SIZES = ((390, 844), (844, 390), (390, 780), (390, 844))

UNFOLD = "() => { for (const fold of document.querySelectorAll('details')) fold.open = true; }"
# What draws a chart: the library, or the script of a session's logs.
DRAWING = ":is(figure.chart .main-svg, .line-panels .plot)"
FILLED = """() => [...document.querySelectorAll("figure:is(.chart, .line-panels)")].every((box) =>
  [...box.querySelectorAll(":is(.main-svg, .plot)")].every((drawing) =>
    Math.abs(drawing.getBoundingClientRect().width - box.clientWidth) < 1))"""

COVERED = """() => [...document.querySelectorAll("figure:is(.chart, .line-panels)")].flatMap((box) => {
  const parts = [box, ...box.querySelectorAll(":is(.main-svg, .plot)")];
  const bottom = Math.max(...parts.map((one) => one.getBoundingClientRect().bottom));
  return [...document.querySelectorAll("main :is(button, a, input, p, h2, table, figure)")]
    .filter((one) => !box.contains(one) && box.compareDocumentPosition(one) & Node.DOCUMENT_POSITION_FOLLOWING)
    .filter((one) => one.checkVisibility() && one.getBoundingClientRect().top < bottom - 0.5)
    .map((one) => `${box.id} covers ${one.outerHTML.slice(0, 80)}`);
})"""

# Whatever does something when it is pressed, and whatever leads to a page where something is done.
PRESSED = """() => [...document.querySelectorAll(
    "button, input, select, textarea, summary, nav, .act, .invented, footer form, a[href]")]
  .filter((one) => one.checkVisibility() && one.getBoundingClientRect().width > 0)
  .filter((one) => one.tagName !== "A" || one.matches(".act, .skip")
    || /\\/(edit|remove|new|new-[a-z-]+)\\/(\\?|$)/.test(one.getAttribute("href")))
  .map((one) => one.outerHTML.slice(0, 100))"""


@pytest.fixture
def logged(page, live_server, season):
    """A session of the demo with a logger's file read in."""
    session = Session.objects.order_by("started_at").first()
    page.goto(f"{live_server.url}/sessions/{session.pk}/new-log/")
    file = {"name": "ride.csv", "mimeType": "text/csv", "buffer": logger_file()}
    page.get_by_label("Log of any logger").set_input_files(file)
    for _ in range(2):
        page.get_by_role("button", name="Import").click()
    drawn(page)
    return session


@pytest.mark.parametrize("page", ["phone"], indirect=True)
def test_a_chart_covers_nothing_when_the_phone_turns(page, live_server, season, logged, photograph):
    machine = season.get_absolute_url()
    pages = {"logs": f"/sessions/{logged.pk}/recordings/", "bench": f"{machine}bench/", "compare": "/compare/",
             "season": f"{machine}season/"}  # fmt: skip
    for name, address in pages.items():
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(live_server.url + address)
        drawn(page)
        page.evaluate(UNFOLD)
        # Until their lines have come, panels have no height.
        expect(page.locator(".line-panels.waiting")).to_have_count(0)
        expect(page.locator(DRAWING).first).to_be_visible()
        heights = set()
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            page.wait_for_function(FILLED)
            photograph(f"turned-{name}-{width}x{height}")
            assert page.evaluate(COVERED) == [], (name, width, height)
            assert fits(page), (name, width, height)
            heights.add(page.locator(DRAWING).first.bounding_box()["height"])
        # What a screen's height does never squeezes panels that had room before.
        assert len(heights) == 1, (name, heights)


@pytest.mark.parametrize("page", ["desktop"], indirect=True)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_paper_shows_nothing_to_press(page, live_server, season, logged, photograph, scheme):
    page.emulate_media(color_scheme=scheme)
    machine = season.get_absolute_url()
    revision = Revision.objects.get(number=4).get_absolute_url()
    pages = {
        "machine": machine, "revision": revision, "report": f"{revision}report/", "session": logged.get_absolute_url(),
        "failure": Failure.objects.first().get_absolute_url(), "bench": f"{machine}bench/", "compare": "/compare/",
        "season": f"{machine}season/", "logs": f"/sessions/{logged.pk}/recordings/",
        "log": Log.objects.get(session=logged, name="ride.csv").get_absolute_url(),
        "difference": f"{machine}difference/?from=3&to=4",
        "help": "/help/installation/",
    }  # fmt: skip
    for name, address in pages.items():
        page.emulate_media(media="screen", color_scheme=scheme)
        page.goto(live_server.url + address)
        has_charts = page.locator("figure.chart").count() > 0
        if has_charts:
            drawn(page)
        assert page.evaluate(PRESSED) != [], name
        page.emulate_media(media="print", color_scheme=scheme)
        photograph(f"paper-{scheme}-{name}")
        assert page.evaluate(PRESSED) == [], name
        expect(page.locator("h1")).to_be_visible()
        if name == "logs":
            assert page.evaluate(COVERED) == [], name
        if has_charts:
            # Ink on white, whichever the screen was.
            drawings = "[...document.querySelectorAll('figure.chart')].filter((one) => one.layout)"  # not in a fold
            colours = f"() => {drawings}.map((one) => one.layout.font.color)"
            page.wait_for_function(f"() => ({colours})().every((colour) => colour === '#000')")
            assert page.evaluate(COVERED) == [], name


FIELDS = """() => [...document.querySelectorAll(".entry.record :is(input, select, textarea)")]
  .filter((one) => one.checkVisibility() && !["checkbox", "radio"].includes(one.type))
  .map((one) => ({ name: one.name, value: one.value, line: getComputedStyle(one).borderBottomWidth,
                   box: getComputedStyle(one).borderTopWidth, type: one.type,
                   cut: one.scrollWidth > one.clientWidth + 1 || one.scrollHeight > one.clientHeight + 1 }))"""


@pytest.mark.parametrize("page", ["desktop"], indirect=True)
def test_a_printed_form_is_a_sheet_of_what_it_holds(page, live_server, season, photograph):
    """It was a heading on white paper."""
    session, failure = Session.objects.order_by("-started_at").first(), Failure.objects.first()
    Session.objects.filter(pk=session.pk).update(notes="\n".join(f"Line {number} of the notes" for number in range(12)))
    gate = session.venue.gates.first()
    pages = {
        "session": (f"/sessions/{session.pk}/edit/", "started_at"), "gate": (f"/gates/{gate.pk}/edit/", "marks"),
        "failure": (f"/failures/{failure.pk}/edit/", "mode_name"),
        "pass": (f"/sessions/{session.pk}/new-pass/", "gate"),
    }  # fmt: skip
    for name, (address, filled) in pages.items():
        page.emulate_media(media="screen")
        page.goto(live_server.url + address)
        page.set_viewport_size({"width": 794, "height": 1123})  # A4 at 96 dots an inch
        page.emulate_media(media="print")
        photograph(f"paper-form-{name}")
        pressed = [part for part in page.evaluate(PRESSED) if not part.startswith(("<input", "<select", "<textarea"))]
        assert pressed == [], name
        fields = page.evaluate(FIELDS)
        assert next(field for field in fields if field["name"] == filled)["value"]
        assert [field for field in fields if field["type"] in ("file", "search", "password")] == [], name
        assert {field["box"] for field in fields} == {"0px"}, name
        assert [field["name"] for field in fields if float(field["line"][:-2]) < 0.5] == [], name
        assert [field["name"] for field in fields if field["cut"]] == [], name
        assert page.evaluate("document.documentElement.scrollWidth") <= 794, name


@pytest.mark.parametrize("page", ["desktop"], indirect=True)
def test_a_printed_removal_and_account_ask_for_nothing(page, live_server, season):
    session = Session.objects.first()
    for address, words in (
        (f"/sessions/{session.pk}/remove/", "What belongs only to it is deleted too"),
        ("/account/", "Signed in"),
    ):
        page.emulate_media(media="screen")
        page.goto(live_server.url + address)
        page.emulate_media(media="print")
        assert page.evaluate(PRESSED) == [], address
        text = page.locator("main").inner_text()
        assert words in text
        assert "Your password" not in text


@pytest.mark.parametrize("page", ["desktop"], indirect=True)
def test_tables_fit_on_every_screen_between_phone_and_desk(page, live_server, season):
    machine = season.get_absolute_url()
    session = Session.objects.order_by("-started_at").first().get_absolute_url()
    revision = Revision.objects.get(number=4).get_absolute_url()
    for address in (f"{machine}bench/", f"{machine}season/", f"{machine}difference/?from=3&to=4", session, revision):
        page.goto(live_server.url + address)
        page.evaluate(UNFOLD)
        for width in (770, 844, 992, 1024, 1104, 1200):
            page.set_viewport_size({"width": width, "height": 800})
            page.wait_for_function(FILLED)
            assert fits(page), (address, width)
