"""The first hour: from an empty log to a compared pair of sessions, with the clicks counted.

A click is a press of a link, a button, a field or a choice of a list; typing into the field that has the focus, and the
key Tab, are none. So this counts more than a person who goes on with Tab would need.
"""

import re

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.django_db(transaction=True)
MOST_CLICKS = 60
A_SESSION = ["sessions/…/new-pass/", "sessions/…/new-pass/", "sessions/…/"]
WAY = [
    *("vehicles/new/", "vehicles/…/made-of/", "venues/new/", "sessions/new/", *A_SESSION),
    *("vehicles/…/", "vehicles/…/new-revision/", "revisions/…/", "sessions/new/?revision=…", *A_SESSION),
    "compare/",
]


class Counted:
    """Presses things on a page, and counts them."""

    def __init__(self, page):
        self.page, self.clicks, self.path = page, 0, []

    def press(self, role, name):
        self.clicks += 1
        with self.page.expect_event("load"):
            self.page.get_by_role(role, name=name, exact=True).first.click()
        self.path.append(re.sub(r"[0-9a-f-]{36}", "…", self.page.url.partition("#")[0].split("/", 3)[3]) or "home")

    def unfold(self, label):
        self.clicks += 1
        self.page.locator("summary", has_text=label).first.click()

    def fill(self, field, text):
        self.clicks += 1
        self.page.locator(f"#id_{field}").click()
        self.page.keyboard.press("ControlOrMeta+A")
        self.page.keyboard.type(text)


def test_from_an_empty_log_to_a_compared_pair_of_sessions(page, live_server, make_account, photograph):
    make_account("owner", "ilo")
    page.goto(live_server.url + "/sign-in/")
    page.get_by_label("Username").fill("ilo")
    page.get_by_label("Password").fill("frost-and-chain-77")
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(live_server.url + "/")
    walk = Counted(page)

    walk.press("link", "Start")
    walk.fill("name", "Bench sled")
    walk.press("button", "Save")
    expect(page.locator(".way [aria-current]")).to_have_text("What it is made of")
    photograph("first-hour-made-of")
    for field, text in (
        ("battery_module-name", "14s 12 Ah"),
        ("battery_module-quantity", "2"),
        ("battery_module-nominal_voltage_v", "50.4"),
        ("battery_module-full_voltage_v", "58,8"),
        ("battery_module-empty_voltage_v", "42"),
        ("battery_module-capacity_ah", "12"),
        ("motor-name", "Hub motor"),
        ("speed_controller-highest_voltage_v", "75"),
        ("driven_wheel-rolling_circumference_m", "1.6 m"),
    ):
        walk.fill(field, text)
    walk.press("button", "Save")
    expect(page.locator(".way [aria-current]")).to_have_text("Where you ride")
    walk.fill("name", "Back bay")
    walk.fill("gate_name", "Straight")
    walk.fill("gate_length_m", "100 m")
    walk.press("button", "Save")
    expect(page.locator(".way [aria-current]")).to_have_text("The first session")
    photograph("first-hour-session")
    log_a_session(walk, distance="9.5", charge="9.1", times=("8.0", "8.2"))

    walk.press("link", "Bench sled")
    walk.unfold("More")
    walk.press("link", "New revision")
    walk.press("button", "Save")
    walk.press("link", "Log a session")
    log_a_session(walk, distance="9.8", charge="8.7", times=("7.6", "7.7"))
    walk.press("link", "Compare")
    text = page.text_content("main")
    assert "R1" in text
    assert "R2" in text
    assert "not yet known" in text, "two sessions decide nothing, and the page says so"
    photograph("first-hour-compare")
    print(f"\n{page.size_name}: {walk.clicks} clicks, {len(walk.path)} pages: {' > '.join(walk.path)}")
    assert walk.clicks <= MOST_CLICKS
    # A wrong turn would be a page that is none of the steps, or one seen twice without anything stored on it.
    assert walk.path == WAY


def log_a_session(walk, *, distance, charge, times):
    walk.fill("rest_voltage_start_v", "58")
    walk.fill("rest_voltage_end_v", "51")
    walk.fill("charge_used_ah", charge)
    walk.fill("runtime_s", "25")
    walk.fill("distance_m", distance)
    walk.press("button", "Save and add a pass")
    for time in times[:-1]:
        walk.fill("duration_s", time)
        walk.press("button", "Save and add another")
    walk.fill("duration_s", times[-1])
    walk.press("button", "Save")
