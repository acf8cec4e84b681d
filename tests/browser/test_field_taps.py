"""How many taps and seconds the usual things take, counted on the real page and printed.

A tap is one press of a button, link or field; typing digits is counted apart. The seconds are those of a person who
needs half a second for a tap and a third of a second for a digit (common practice, no source), and the page's own.
"""

import time

import pytest
from playwright.sync_api import expect

from tests.browser.test_field_logged import TINY_JPEG

SECONDS_PER_TAP, SECONDS_PER_DIGIT = 0.5, 0.33


class Thumb:
    """Taps and digits, counted."""

    def __init__(self, page):
        self.page, self.taps, self.digits, self.began = page, 0, 0, time.perf_counter()

    def tap(self, locator):
        locator.click()
        self.taps += 1

    def type(self, text):
        """Into the field that has the focus."""
        self.page.keyboard.type(text)
        self.digits += len(text)

    @property
    def seconds(self):
        return time.perf_counter() - self.began + self.taps * SECONDS_PER_TAP + self.digits * SECONDS_PER_DIGIT


def message(capsys, what, thumb):
    with capsys.disabled():
        print(f"\n{what}: {thumb.taps} taps, {thumb.digits} digits, {thumb.seconds:.0f} s")


@pytest.fixture
def experienced(phone):
    """A phone that has logged a session before, with all that a start asks for."""
    page = phone.page
    page.get_by_text("Conditions, if known now").click()
    page.locator("fieldset.choices").filter(has_text="Surface").locator("label").nth(1).click()
    page.get_by_role("textbox", name="Air temperature").fill("-8")
    page.get_by_role("textbox", name="Rider").first.fill("84")
    page.get_by_role("button", name="Go/no-go check").click()
    page.get_by_role("textbox", name="Ice thickness, measured").fill("25")
    for item in page.locator("fieldset.choices").all():
        item.get_by_text("Yes", exact=True).click()
    page.get_by_role("button", name="Start").click()
    page.wait_for_selector("nav.board")
    phone.to("End")
    page.get_by_role("button", name="End session").click()
    page.get_by_role("button", name="Next session").click()
    expect(page.get_by_role("heading", name="Start a session")).to_be_visible()
    return phone


def test_from_the_start_to_the_first_timed_pass(experienced, installation, capsys):
    page, thumb = experienced.page, Thumb(experienced.page)
    thumb.tap(page.locator("#conditions-as-last-time"))
    expect(page.get_by_role("textbox", name="Air temperature")).to_have_value("-8")
    thumb.tap(page.get_by_role("button", name="Go/no-go check"))
    thumb.tap(page.locator("#check-as-last-time"))
    thumb.tap(page.locator("#ice-as-last-time"))
    expect(page.get_by_role("textbox", name="Ice thickness, measured")).to_have_value("25")
    thumb.tap(page.get_by_role("button", name="Start"))
    thumb.tap(page.get_by_role("link", name="Ride", exact=True))
    for _ in range(2):
        thumb.tap(page.locator("#mark"))
        page.wait_for_timeout(400)
    installation.comes_to("test_sessions_pass", 1)
    message(capsys, "start to first timed pass, with conditions, check and ice", thumb)
    assert thumb.taps <= 8
    assert thumb.seconds <= 25
    stored = installation.rows("test_sessions_session", "air_temperature_c, rider_mass_kg, ice_thickness_cm, surface")
    assert stored[0] == stored[1]
    answers = installation.rows("test_sessions_gonogocheck", "ice_measured, helmet, kill_switch")
    assert answers == [("yes", "yes", "yes")] * 2


def test_a_reading_of_voltage_current_and_charge(experienced, installation, capsys):
    phone = experienced
    phone.page.locator("#conditions-as-last-time").click()
    phone.start_session()
    thumb = Thumb(phone.page)
    thumb.tap(phone.page.get_by_role("link", name="Reading", exact=True))
    expect(phone.page.get_by_role("textbox", name="Voltage")).to_be_focused()
    for text in ("52.4", "31", "6.2"):
        thumb.type(text)
        # The keypad's own key leads to the next field.
        phone.page.keyboard.press("Enter")
        thumb.taps += 1
    thumb.tap(phone.page.get_by_role("button", name="Save reading"))
    installation.comes_to("test_sessions_reading", 1)
    message(capsys, "a reading of V, A and Ah", thumb)
    assert thumb.taps <= 6
    assert installation.rows("test_sessions_reading", "voltage_v, current_a, charge_used_ah") == [(52.4, 31.0, 6.2)]


def test_a_failure_with_a_photo(phone, installation, capsys):
    phone.start_session()
    thumb = Thumb(phone.page)
    thumb.tap(phone.page.get_by_role("link", name="Failure", exact=True))
    thumb.tap(phone.page.get_by_role("link", name="chain came off"))
    # All severities are on one screen, without scrolling.
    severities = phone.page.locator(".severities > .act")
    expect(severities).to_have_count(4)
    boxes = [button.bounding_box() for button in severities.all()]
    assert all(box["y"] >= 0 and box["y"] + box["height"] <= 844 for box in boxes)
    thumb.tap(phone.page.get_by_role("button", name="III"))
    thumb.tap(phone.page.get_by_role("link", name="Photo of it"))
    with phone.page.expect_file_chooser() as chooser:
        thumb.tap(phone.page.get_by_text("Take a photo"))
    chooser.value.set_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": TINY_JPEG})
    installation.comes_to("buildlog_photo", 1)
    message(capsys, "a failure with its photo", thumb)
    assert thumb.taps <= 5


def test_temperatures_read_once_do_not_fold_the_distance_away(phone):
    phone.start_session().to("Reading")
    phone.page.get_by_text("More to read off").click()
    phone.page.get_by_role("textbox", name="Motor temperature").fill("40")
    phone.page.get_by_role("button", name="Save reading").click()
    phone.page.wait_for_selector("nav.board")
    phone.to("Reading")
    for name in ("Distance so far", "Charge used so far", "Motor temperature"):
        expect(phone.page.get_by_role("textbox", name=name)).to_be_visible()


def test_steppers_begin_at_the_last_value(phone, installation):
    phone.start_session().read(voltage="52.4").to("Reading")
    phone.page.get_by_role("button", name="Voltage: one step down").click()
    phone.page.get_by_role("button", name="Voltage: one step down").click()
    expect(phone.page.get_by_role("textbox", name="Voltage")).to_have_value("52.2")
    phone.page.get_by_role("button", name="Save reading").click()
    installation.comes_to("test_sessions_reading where voltage_v = 52.2", 1)


def test_a_meter_is_photographed_first_and_read_off_later(phone, installation):
    phone.start_session().to("Reading")
    phone.page.set_input_files("#meter", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": TINY_JPEG})
    phone.page.wait_for_selector("nav.board")
    phone.page.locator("#to-read").click()
    phone.page.get_by_role("link", name="Read off: ").click()
    expect(phone.page.get_by_role("img", name="The photo")).to_be_visible()
    phone.page.get_by_role("textbox", name="Charge used so far").fill("6.2")
    phone.page.get_by_role("button", name="Save").click()
    installation.comes_to("test_sessions_reading where charge_used_ah = 6.2 and note = ''", 1)
    installation.comes_to("buildlog_photo where caption = 'Meter'", 1)
    expect(phone.page.locator("#to-read")).to_have_count(0)


def test_ice_of_yesterday_is_not_offered(experienced):
    experienced.page.evaluate(
        """() => new Promise((resolve) => { const asked = indexedDB.open("firnlog-field"); asked.onsuccess = () => {
            const meta = asked.result.transaction("meta", "readwrite").objectStore("meta");
            meta.get("last_time").onsuccess = ({ target }) => {
                const { key, value } = target.result;
                meta.put({ key, value: { ...value, at_ms: value.at_ms - 86400000 } }).onsuccess = () => {
                    asked.result.close(); resolve(); };
            }; }; })"""
    )
    # The server's own last session is today's; with its start moved too, nothing tells of today's ice.
    experienced.context.route("**/api/v1/field/**", lambda route: route.abort())
    experienced.page.evaluate("async () => { (await module('outing')).reference.data.last_time = null; }")
    experienced.page.get_by_role("button", name="Go/no-go check").click()
    expect(experienced.page.locator("#check-as-last-time")).to_be_visible()
    expect(experienced.page.locator("#ice-as-last-time")).to_have_count(0)


@pytest.mark.parametrize("has_network", [True, False])
def test_conditions_left_out_once_are_known_from_the_time_before(experienced, has_network):
    page = experienced.page
    if not has_network:
        experienced.context.route("**/api/v1/**", lambda route: route.abort())
        page.evaluate("async () => { (await module('outing')).reference.data.last_time = null; }")
    experienced.start_session().to("End")
    page.get_by_role("button", name="End session").click()
    page.get_by_role("button", name="Next session").click()
    page.locator("#conditions-as-last-time").click()
    expect(page.get_by_role("textbox", name="Air temperature")).to_have_value("-8")
    expect(page.get_by_role("textbox", name="Rider").first).to_have_value("84")
    expect(page.locator("input[name=surface]:checked")).not_to_have_value("")


def test_the_weather_of_yesterday_is_not_offered_but_the_rider_is(experienced, installation):
    made = "from sessions.models import Session; from datetime import timedelta; s = Session.objects.get(); "
    installation.run("shell", "-c", made + "s.started_at -= timedelta(days=1); s.ended_at = None; s.save()")
    clear = """() => new Promise((resolve) => { const asked = indexedDB.open("firnlog-field"); asked.onsuccess = () => {
        const meta = asked.result.transaction("meta", "readwrite").objectStore("meta");
        meta.delete("last_time").onsuccess = () => { asked.result.close(); resolve(); }; }; })"""
    experienced.page.evaluate(clear)
    experienced.page.reload()
    experienced.ready()
    offered = experienced.page.locator("#conditions-as-last-time")
    expect(offered).to_contain_text("84 kg")
    expect(offered).not_to_contain_text("air temperature")


def test_a_clock_is_typed_as_on_the_desk(phone, installation):
    phone.start_session().to("End")
    runtime = phone.page.get_by_role("textbox", name="Runtime")
    runtime.fill("0:35")
    expect(phone.page.locator(".clock").first).to_contain_text("35 min")
    phone.page.get_by_role("button", name="End session").click()
    installation.comes_to("test_sessions_session where runtime_s = 2100", 1)
