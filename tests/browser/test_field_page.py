"""The field page as it is seen and weighed: sizes, reach, contrast, accessibility, and the satellite track."""

import os
import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser.accessibility import broken_rules
from tests.browser.phone import SCREEN, Phone
from tests.browser.test_main_job import contrast

WEIGHT_LIMIT_BYTES = 60_000


@pytest.fixture
def phone(installation, browser):
    context = browser.new_context(
        **SCREEN, geolocation={"latitude": 61.05, "longitude": 24.9}, permissions=["geolocation"]
    )
    made = Phone(context, installation.url).signed_in(installation)
    yield made
    context.close()
    assert made.errors == []


def test_the_shell_is_light_and_needs_no_other_request(installation, browser, capsys):
    """Everything the page is made of, as it comes over the wire; and it is drawn without the API."""
    context = browser.new_context(**SCREEN)
    page = context.new_page()
    weights, packed = {}, {}

    def weigh(request):
        weights[request.url] = request.sizes()["responseBodySize"]
        packed[request.url] = request.response().headers.get("content-encoding")

    page.on("requestfinished", weigh)
    page.route("**/api/**", lambda route: route.abort())
    page.goto(installation.url + "/field/")
    page.wait_for_selector("#field[data-ready]")
    shell = {url: size for url, size in weights.items() if "service-worker" not in url}
    total = sum(shell.values())
    with capsys.disabled():
        print(f"\nfield shell: {len(shell)} files, {total} bytes on the wire, limit {WEIGHT_LIMIT_BYTES}")
    assert {encoding for url, encoding in packed.items() if re.search(r"[.](js|css)$", url)} == {"br"}
    assert total <= WEIGHT_LIMIT_BYTES
    assert all(re.search(r"/field/$|manifest|/static/(field|css|icon)", url) for url in shell)
    context.close()


def test_ice_thicker_than_lakes_have_reaches_no_guideline(phone):
    """300 typed in mm must not read as ten guidelines reached, right before riding."""
    phone.page.get_by_role("button", name="Go/no-go check").click()
    thickness, compared = phone.page.get_by_label("Ice thickness, measured"), phone.page.locator("#guidelines")
    thickness.fill("300")
    thickness.blur()
    expect(compared).to_have_text("300 cm of ice is more than lakes have.")
    thickness.fill("30")
    thickness.blur()
    expect(compared).to_contain_text("published thicknesses are reached")


SCREENS = [
    "board",
    "ride",
    "pass",
    "stand",
    "marks",
    "voice",
    "logged",
    "video",
    "gate",
    "reading",
    "failure",
    "failure/other",
    "note",
    "photo",
    "card",
    "end",
    "waiting",
]


def screens(phone):
    """Every screen of the page, one after another, by its name."""
    yield "start"
    phone.page.get_by_text("Conditions, if known now").click()
    phone.page.get_by_role("button", name="Go/no-go check").click()
    expect(phone.page.get_by_role("heading", name="Go/no-go check")).to_be_visible()
    phone.page.get_by_label("Ice thickness, measured").fill("11")
    phone.page.get_by_label("Ice thickness, measured").blur()
    expect(phone.page.locator("#guidelines")).to_contain_text("not a permission")
    yield "check"
    for item in phone.page.locator("fieldset.choices").all():
        item.get_by_text("Yes", exact=True).click()
    phone.page.get_by_role("button", name="Start").click()
    phone.page.wait_for_selector("nav.board")
    phone.read(voltage="54", charge="3", distance="4")
    for name in SCREENS:
        phone.page.evaluate("(name) => { location.hash = name; }", name)
        drawn = "(name) => document.getElementById('field').dataset.screen === `#${name}`"
        phone.page.wait_for_function(drawn, arg=name)
        if name == "pass":
            mark = phone.page.locator("#mark")
            for text in ("Mark 1 of 2", "Mark 2 of 2"):
                expect(mark).to_contain_text(text)
                mark.dispatch_event("pointerdown", {"isPrimary": True, "button": 0})
                phone.page.wait_for_timeout(400)
            expect(phone.page.locator("#speed")).to_contain_text("km/h")
        yield name.replace("/", "-")
    phone.page.evaluate("() => { location.hash = 'end'; }")
    phone.page.get_by_role("button", name="End session").click()
    expect(phone.page.get_by_role("heading", name="Session ended")).to_be_visible()
    yield "summary"


@pytest.mark.parametrize(("scheme", "size"), [("light", (390, 844)), ("dark", (390, 844)), ("light", (844, 390))])
def test_no_screen_is_hard_to_read_or_wider_than_the_phone(phone, scheme, size):
    phone.page.emulate_media(color_scheme=scheme)
    phone.page.set_viewport_size({"width": size[0], "height": size[1]})
    for name in screens(phone):
        folder = os.environ.get("FIRNLOG_PICTURES")
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            phone.page.screenshot(path=f"{folder}/field-{scheme}-{size[0]}-{name}.png", full_page=True)
        assert broken_rules(phone.page) == [], name
        assert phone.page.evaluate("() => document.documentElement.scrollWidth <= innerWidth"), name


def test_the_main_buttons_are_large_apart_and_within_reach(phone):
    phone.start_session()
    phone.queue(0)
    boxes = phone.page.evaluate(
        """() => [...document.querySelectorAll("nav.board > .act")].map((one) => {
            const {x, y, width, height} = one.getBoundingClientRect();
            return {x, y, width, height};
        })"""
    )
    assert len(boxes) == 9
    for box in boxes:
        assert box["height"] >= 72
        assert box["width"] >= 72
        # Within a thumb's reach of a phone held in one hand: the lower two thirds of 844 px, whole on the screen.
        assert box["y"] >= 844 / 3
        assert box["y"] + box["height"] <= 844
    for item in boxes:
        for other in boxes:
            if item is other:
                continue
            across = max(item["x"], other["x"]) - min(item["x"] + item["width"], other["x"] + other["width"])
            down = max(item["y"], other["y"]) - min(item["y"] + item["height"], other["y"] + other["height"])
            assert max(across, down) >= 15.9
    phone.to("Time a pass")
    box = phone.page.locator("#mark").bounding_box()
    assert box["height"] >= 72
    assert box["y"] >= 844 / 3


def test_every_button_is_at_least_56_pixels(phone):
    for name in screens(phone):
        small = phone.page.evaluate(
            """() => [...document.querySelectorAll("#field button, #field a.act, #field .choice")]
                .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 55.9)
                .map((one) => one.textContent)"""
        )
        assert small == [], name


def test_text_on_buttons_reaches_seven_to_one(phone):
    """WCAG 2.1, success criterion 1.4.6, for the pairs the field page adds to those of the other pages."""
    read = "name => getComputedStyle(document.documentElement).getPropertyValue(name).trim()"
    for scheme in ("light", "dark"):
        phone.page.emulate_media(color_scheme=scheme)
        pairs = [("--sheet", "--ink"), ("--ink", "--sheet"), ("--wrong", "--paper"), ("--caution-ink", "--caution")]
        for front, back in pairs:
            ratio = contrast(phone.page.evaluate(read, front), phone.page.evaluate(read, back))
            assert ratio >= 7, (scheme, front, back, round(ratio, 2))


def test_a_failure_takes_two_taps(phone, installation):
    phone.start_session().to("Failure")
    phone.page.get_by_role("link", name="chain came off").click()
    phone.page.get_by_role("button", name="III").click()
    expect(phone.page.locator("#said")).to_contain_text("Saved on this phone")
    installation.comes_to("buildlog_failure", 1)


def test_the_most_frequent_failure_stands_first(phone):
    phone.start_session().to("Failure")
    expect(phone.page.locator("nav.board a").first).to_have_text("belt slipped")
    phone.to("chain came off")
    phone.page.get_by_role("button", name="IV").click()
    phone.to("Board").to("Failure")
    expect(phone.page.locator("nav.board a").first).to_have_text("chain came off")


def test_a_pass_from_video_has_its_speed_at_once(phone, installation):
    phone.start_session().to("Time a pass").to("From video")
    phone.page.get_by_role("textbox", name="Whole seconds").fill("7")
    phone.page.get_by_role("textbox", name="And frames beyond them").fill("10")
    phone.page.get_by_role("textbox", name="Frame rate").fill("30")
    phone.page.get_by_role("button", name="Save pass").click()
    # 100 m in 7 s and 10 frames at 30 frames/s: 100 / (22/3) m/s = 49.09 km/h.
    expect(phone.page.locator("#speed")).to_contain_text("49.09 ± 0.18 km/h")
    installation.comes_to("test_sessions_pass", 1)
    [(duration, method, rate)] = installation.rows("test_sessions_pass", "duration_s, method, frames_per_s")
    assert duration == pytest.approx(22 / 3)
    assert (method, rate) == ("video", 30.0)


def test_a_wrong_number_is_named_and_kept(phone):
    phone.start_session().to("Reading")
    phone.page.get_by_role("textbox", name="Voltage").fill("5.4.2")
    phone.page.get_by_role("button", name="Save reading").click()
    expect(phone.page.locator("#in-voltage_v-wrong")).to_contain_text("can be read in two ways")
    phone.page.get_by_role("textbox", name="Voltage").fill("9999")
    phone.page.get_by_role("button", name="Save reading").click()
    expect(phone.page.locator("#in-voltage_v-wrong")).to_contain_text("at most 1500 V; 9999 V was written")
    expect(phone.page.get_by_role("textbox", name="Voltage")).to_have_value("9999")


def test_the_sign_button_and_the_last_values(phone, installation):
    phone.start_session().to("Reading")
    phone.page.get_by_role("textbox", name="Current").fill("12,5")
    phone.page.get_by_role("button", name="Turn the sign of current").click()
    phone.page.get_by_role("button", name="Save reading").click()
    installation.comes_to("test_sessions_reading", 1)
    assert installation.rows("test_sessions_reading", "current_a") == [(-12.5,)]
    phone.to("Reading")
    expect(phone.page.locator("#in-current_a-last")).to_contain_text("Last −12.5 A")
    # What energy left rests on never folds, whatever the last reading had.
    for name in ("Voltage", "Current", "Charge used so far", "Distance so far"):
        expect(phone.page.get_by_role("textbox", name=name)).to_be_visible()
    expect(phone.page.get_by_role("textbox", name="Motor temperature")).to_be_hidden()


def test_a_track_is_recorded_and_its_stop_is_said(phone, installation):
    phone.start_session()
    phone.page.get_by_role("button", name="Track").click()
    for step in range(1, 5):
        phone.context.set_geolocation({"latitude": 61.05 + 0.0005 * step, "longitude": 24.9, "accuracy": 5})
        phone.page.wait_for_timeout(400)
    expect(phone.page.locator("#track")).to_contain_text("Track runs")
    # The phone throws the page away, and it is opened again.
    phone.page.reload()
    phone.ready()
    expect(phone.page.locator("#said")).to_contain_text("The phone stopped the track")
    installation.comes_to("test_sessions_trackpart", 1)
    [(stopped,)] = installation.rows("test_sessions_trackpart", "stopped_by_phone")
    assert stopped == 1
    expect(phone.page.locator("#track")).to_contain_text("Track is off")


def test_the_service_worker_keeps_the_shell_and_nothing_of_anybody(phone):
    phone.kept_for_offline().start_session().queue(0)
    for path in ("/", "/sessions/", "/settings/", "/field/"):
        phone.page.goto(phone.url + path)
    phone.ready()
    kept = phone.page.evaluate(
        """async () => {
            const found = [];
            for (const name of await caches.keys()) {
                for (const request of await (await caches.open(name)).keys()) found.push(new URL(request.url).pathname);
            }
            return found;
        }"""
    )
    assert len({path for path in kept if path.startswith("/static/")}) == 4
    assert [item for item in kept if not re.search(r"^/field/$|^/static/(field|css|icon)", item)] == []
    page = phone.page.evaluate("async () => (await (await caches.match('/field/')).text())")
    assert "ilo" not in page
    assert "Bench sled" not in page
