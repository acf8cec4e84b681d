"""Passes that the phone finds by itself, on the real page, with fixes injected at 1 Hz as a receiver gives them."""

import json
import re

import numpy as np
import pytest
from playwright.sync_api import expect

from tests.browser.phone import SCREEN, Phone
from tests.browser.test_field_energy import HOME, METRES_PER_DEGREE
from tests.browser.test_field_riding import heard
from tests.browser.waits import wait_until
from tests.simulations.satellite_rides import Regime, draw_ride, slow_noise

# Stands in for the receiver: the page gets each fix that the test gives, with the receiver's own speed.
RECEIVER = """(() => {
    const watching = new Map();
    let next = 1;
    const fix = (coords) => ({ coords: { accuracy: null, speed: null, ...coords }, timestamp: Date.now() });
    const geolocation = {
        watchPosition: (take) => { watching.set(next, take); return next++; },
        clearWatch: (key) => { watching.delete(key); },
        getCurrentPosition: () => {},
    };
    Object.defineProperty(navigator, "geolocation", { value: geolocation });
    globalThis.giveFix = (coords) => { for (const take of watching.values()) take(fix(coords)); };
})();"""
EAST_M = METRES_PER_DEGREE * np.cos(np.radians(HOME[0]))


@pytest.fixture
def rider(installation, browser):
    context = browser.new_context(**SCREEN, permissions=["geolocation"])
    context.add_init_script(RECEIVER)
    made = Phone(context, installation.url).signed_in(installation)
    made.page.clock.install()
    yield made
    context.close()
    assert made.errors == []


def give(phone, east_m, north_m, accuracy, speed=None):
    coords = {
        "latitude": HOME[0] + north_m / METRES_PER_DEGREE, "longitude": HOME[1] + east_m / EAST_M,
        "accuracy": accuracy, "speed": speed,
    }  # fmt: skip
    phone.page.evaluate("(coords) => giveFix(coords)", coords)
    phone.page.clock.run_for(1000)


def stand(phone, label, east_m, north_m, draws):
    phone.page.get_by_role("button", name=f"Stand at the {label}").click()
    for step_east_m, step_north_m in zip(*(slow_noise(draws, 33, 2.0, 30.0) for _ in range(2)), strict=True):
        give(phone, east_m + step_east_m, north_m + step_north_m, 3.0)
        if phone.page.get_by_text(f"The {label}: set").count():
            break
    expect(phone.page.get_by_text(f"The {label}: set")).to_be_visible()


def marks_are_set(phone, ends=((0.0, 0.0), (100.0, 0.0)), seed=3):
    draws = np.random.default_rng(seed)
    phone.to("Time a pass").to("Find passes by satellite: set the marks")
    phone.page.clock.pause_at(phone.page.evaluate("() => Date.now()") / 1000 + 1)
    for label, end in zip(("first mark", "last mark"), ends, strict=True):
        stand(phone, label, *end, draws)


def test_marks_are_set_by_standing_and_a_ride_through_them_gives_its_passes(rider, installation, photograph_phone):
    rider.start_session()
    marks_are_set(rider)
    expect(rider.page.locator("#apart")).to_contain_text(re.compile(r"apart by satellite, 100 m by tape"))
    photograph_phone(rider, "marks-by-standing")
    rider.page.get_by_role("button", name="Save both marks").click()
    rider.page.wait_for_selector("#instrument")
    rider.page.clock.resume()
    installation.comes_to("test_sessions_gatemark where latitude_deg is not null", 2)
    expect(rider.page.locator("#hands-free")).to_contain_text("Passes through Straight are found by themselves")
    rider.page.clock.pause_at(rider.page.evaluate("() => Date.now()") / 1000 + 1)
    # 3 m of noise on each axis, most of it drifting slowly; ridden about 10 m/s.
    ride = draw_ride(Regime(10.0, gives_speed=True, noise_m=(3.0, 3.0)), 7)
    # The simulated gate lies anywhere; here it is turned to run east.
    way = np.array([ride.mark_east_m[1] - ride.mark_east_m[0], ride.mark_north_m[1] - ride.mark_north_m[0]])
    way = way / np.hypot(*way)
    seconds = int(ride.true_began_s[2] + ride.true_duration_s[2] + 20)
    for row in range(seconds):
        east_m, north_m = ride.east_m[row] - ride.mark_east_m[0], ride.north_m[row] - ride.mark_north_m[0]
        along_m, aside_m = east_m * way[0] + north_m * way[1], north_m * way[0] - east_m * way[1]
        give(rider, along_m, aside_m, ride.accuracy_m, float(ride.speed_mps[row]))
    rider.page.clock.resume()
    installation.comes_to("test_sessions_pass", 3)
    stored = installation.rows("test_sessions_pass", "method, direction, valid, duration_s, u_duration_s")
    for (method, direction, valid, duration_s, u_s), true_s in zip(stored, ride.true_duration_s, strict=False):
        assert (method, direction, valid) == ("satellite", "out", 1)
        assert abs(duration_s - true_s) <= 2 * u_s
    text = heard(rider)["words"]
    assert next(words for words in text if words.startswith("Pass ")).startswith("Pass 1, out, ")
    expect(rider.page.locator("#instrument")).to_contain_text("Pass 3, out")
    photograph_phone(rider, "hands-free")
    # The track goes along, with the receiver's speed.
    rider.to("Board")
    rider.page.get_by_role("button", name="Stop track").click()

    def fixes_stored():
        parts = installation.rows("test_sessions_trackpart", "fixes")
        fixes = [fix for [part] in parts for fix in json.loads(part)]
        return fixes if len(fixes) >= seconds else None

    fixes = wait_until(fixes_stored, "the track did not come whole")
    assert len(fixes) == seconds
    assert {len(fix) for fix in fixes} == {5}


def test_a_ride_with_a_gap_is_offered_and_a_deleted_pass_does_not_come_back(rider, installation):
    rider.start_session()
    marks_are_set(rider)
    rider.page.get_by_role("button", name="Save both marks").click()
    rider.page.wait_for_selector("#instrument")
    for second in range(60):
        if 22 < second < 28:
            rider.page.clock.run_for(1000)
            continue
        give(rider, -150.0 + 8.0 * second, 0.0, 3.0, 8.0)
    rider.page.clock.resume()
    rider.to("Board").to("Time a pass")
    expect(rider.page.locator(".doubtful-pass")).to_contain_text("positions are missing around it")
    assert installation.count("test_sessions_pass") == 0
    rider.page.get_by_role("button", name="It was a pass").click()
    installation.comes_to("test_sessions_pass", 1)
    expect(rider.page.locator(".doubtful-pass")).to_have_count(0)
    rider.page.evaluate("() => { location.hash = 'logged'; }")
    rider.page.locator("li", has_text="Pass 1").get_by_role("button", name="Delete").click()
    installation.comes_to("test_sessions_pass", 0)
    for second in range(60, 70):
        give(rider, -150.0 + 8.0 * second, 0.0, 3.0, 8.0)
    assert installation.count("test_sessions_pass") == 0


def test_a_mark_far_from_the_tape_is_questioned(rider):
    rider.start_session()
    marks_are_set(rider, ends=((0.0, 0.0), (170.0, 0.0)))
    expect(rider.page.locator("#odd")).to_contain_text("too far from the tape")


def test_a_standing_start_is_offered_and_kept_without_a_speed(rider, installation, photograph_phone):
    rider.start_session()
    marks_are_set(rider)
    rider.page.get_by_role("button", name="Save both marks").click()
    rider.page.wait_for_selector("#instrument")
    for second in range(55):
        moving_s = max(second - 12, 0)
        gone_m = moving_s**2 if moving_s < 6 else 36 + 12 * (moving_s - 6)
        give(rider, gone_m, 0.0, 3.0, min(2.0 * moving_s, 12.0))
    rider.page.clock.resume()
    rider.to("Board").to("Time a pass")
    expect(rider.page.locator(".doubtful-pass")).to_contain_text("it began from rest on the first mark")
    photograph_phone(rider, "standing-start")
    assert installation.count("test_sessions_pass") == 0
    rider.page.get_by_role("button", name="It was a standing start").click()
    installation.comes_to("test_sessions_pass", 1)
    [(valid, reason, duration_s)] = installation.rows("test_sessions_pass", "valid, invalid_reason, duration_s")
    assert (valid, reason) == (0, "Standing start: timed from the first movement.")
    # By hand: 36 m in 6 s, the other 64 m at 12 m/s.
    assert abs(duration_s - (6 + 64 / 12)) < 0.1
    rider.page.evaluate("() => { location.hash = 'logged'; }")
    row = rider.page.locator("li", has_text="Pass 1")
    expect(row).to_contain_text("does not count: Standing start")
    expect(row).not_to_contain_text("km/h")
