"""The riding screen: what a rider sees, hears and taps, with positions that come in as on a ride."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.test_field_energy import HOME, METRES_PER_DEGREE, exactly, rider
from tests.browser.waits import wait_until

__all__ = ["rider"]


def go(phone, north_m):
    place = {"latitude": HOME[0] + north_m / METRES_PER_DEGREE, "longitude": HOME[1], "accuracy": 5}
    phone.context.set_geolocation(place)


def heard(phone):
    return phone.page.evaluate("async () => (await module('sound')).heard")


def ride(phone):
    phone.to("Ride")
    phone.page.wait_for_selector("#instrument")


def turn_back_at(phone, north_m):
    """The figure in km while positions come: on a machine that stalls it is counted down for their silence."""

    def seen_km():
        go(phone, north_m)
        figure, words = phone.page.evaluate(
            "() => ['turn-back', 'instrument'].map((id) => document.getElementById(id).innerText)"
        )
        return float(figure) if "No position" not in words else None

    return wait_until(seen_km, "no positions come")


def mark(phone):
    phone.page.locator("#mark").dispatch_event("pointerdown", {"isPrimary": True, "button": 0})


def boxes_apart(phone, first, other):
    # What is just being drawn anew has no place for a moment.
    item, two = (
        wait_until(phone.page.locator(selector).bounding_box, f"{selector} has no place") for selector in (first, other)
    )
    return item["y"] + item["height"] <= two["y"] or two["y"] + two["height"] <= item["y"]


def test_turn_back_is_large_careful_and_counted_down_at_every_position(rider, photograph_phone):
    rider.start_session().read(charge="6", distance="5")
    ride(rider)
    sizes = rider.page.locator("#instrument .digits").evaluate_all(
        "(all) => all.map((one) => parseFloat(getComputedStyle(one).fontSize))"
    )
    assert all(size >= 80 for size in sizes[:3])
    before = turn_back_at(rider, 0)
    value_m, _ = exactly(rider)
    # Never above the figure less twice its uncertainty, cut and not rounded.
    assert before < value_m / 1000
    expect(rider.page.locator(".turn")).to_contain_text("careful side of")
    expect(rider.page.locator(".turn")).to_contain_text("estimated since")
    for north_m in range(200, 2001, 200):
        go(rider, north_m)
        expect(rider.page.locator(".turn")).to_contain_text(re.compile(r"less .* ridden"))
    expect(rider.page.locator("#turn-back")).not_to_have_text(f"{before:.1f}")
    assert turn_back_at(rider, 2000) < before
    photograph_phone(rider, "riding")


def test_the_careful_side_is_worked_out_from_the_whole_figure(rider):
    rider.start_session().read(charge="6", distance="5")
    ride(rider)
    state = rider.page.evaluate(
        "async () => { const { current, energyState } = await module('outing');"
        " const { turn, left, careful, consumption, speed } = energyState(await current());"
        " return { turn, left, careful, consumption, mps: speed.mps }; }"
    )
    careful, turn, left = state["careful"], state["turn"], state["left"]
    assert careful["turn_m"] == pytest.approx(turn["value"] - 2 * turn["u"])
    # By hand: the pack has 2,419.2 Wh and a fifth of it stays.
    assert careful["left_wh"] == pytest.approx(left["value"] - 2 * left["u"] - 0.2 * 2419.2)
    power_w = (state["consumption"]["value"] + 2 * state["consumption"]["u"]) * 3.6 * state["mps"]
    assert careful["runtime_s"] == pytest.approx(3600 * careful["left_wh"] / power_w)


def test_it_is_loud_at_the_limit_with_a_sign_and_a_word_until_heard(rider, photograph_phone):
    rider.start_session().read(charge="6", distance="5")
    ride(rider)
    turn = rider.page.locator(".turn")
    expect(turn).to_have_class("turn ")
    north_m = 0
    for _ in range(200):
        north_m += 200
        go(rider, north_m)
        rider.page.wait_for_timeout(80)
        if "near" in turn.get_attribute("class"):
            break
    expect(turn).to_contain_text("Turn back soon")
    expect(turn.locator(".sign")).to_be_visible()
    assert "Turn back soon" in heard(rider)["words"]
    photograph_phone(rider, "riding-near")
    for _ in range(60):
        north_m += 200
        go(rider, north_m)
        rider.page.wait_for_timeout(80)
        if "now" in turn.get_attribute("class"):
            break
    expect(turn).to_contain_text("Turn back now")
    text = heard(rider)
    assert text["words"][-1] == "Turn back now"
    assert text["tones"][-1] == "now"
    photograph_phone(rider, "riding-now")
    rider.page.get_by_role("button", name="Heard: we have turned back").click()
    expect(rider.page.get_by_role("button", name="Heard")).to_have_count(0)
    # The sign and the word stay.
    expect(turn).to_contain_text("Turn back now")


def test_without_a_reading_it_says_so_and_claims_nothing(rider):
    rider.start_session()
    ride(rider)
    expect(rider.page.locator("#turn-back")).to_have_text("–")
    expect(rider.page.locator(".turn")).to_contain_text("Turning point not known")
    expect(rider.page.locator(".turn")).to_contain_text("needs a reading of charge and distance")


def test_a_message_covers_neither_turn_back_nor_the_mark(rider):
    # It stays as long as a slow machine takes to the next screen.
    rider.page.evaluate(
        "() => { const real = setTimeout; globalThis.setTimeout = (work, ms) => real(work, ms === 6000 ? 1e6 : ms); }"
    )
    rider.start_session().read(charge="6", distance="5")
    message = rider.page.locator("#said")
    expect(message).to_contain_text("Saved on this phone")
    assert boxes_apart(rider, "#said", ".strip")
    ride(rider)
    expect(message).to_contain_text("Saved on this phone")
    assert boxes_apart(rider, "#said", ".turn")
    assert boxes_apart(rider, "#said", "#mark")
    assert rider.page.locator("#mark").bounding_box()["height"] >= 96


def test_a_pass_is_timed_on_the_riding_screen_with_ticking_time(rider, installation):
    rider.start_session()
    ride(rider)
    button = rider.page.locator("#mark")
    place = button.bounding_box()
    mark(rider)
    expect(button).to_contain_text(re.compile(r"^\d\.\d s"))
    first = button.inner_text()
    rider.page.wait_for_timeout(500)
    assert button.inner_text() != first
    assert button.bounding_box() == place
    mark(rider)
    installation.comes_to("test_sessions_pass", 1)
    expect(rider.page.locator("#instrument")).to_contain_text("Pass 1, out")
    assert heard(rider)["tones"] == ["mark", "mark", "pass"]


@pytest.mark.parametrize("key", ["AudioVolumeUp", "Enter"])
def test_a_volume_key_or_a_shutter_marks(rider, installation, key):
    rider.start_session()
    ride(rider)
    press = (
        "(key) => document.body.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true }))"
    )
    rider.page.evaluate("() => document.activeElement.blur()")
    for _ in range(2):
        rider.page.evaluate(press, key)
        rider.page.wait_for_timeout(500)
    installation.comes_to("test_sessions_pass", 1)


def test_a_missed_middle_mark_keeps_the_whole_time_without_splits(rider, installation):
    rider.start_session().to("Time a pass").to("New gate")
    rider.page.get_by_role("textbox", name="Distance from the first to the last mark").fill("100")
    rider.page.get_by_label("Marks between, if there are any").fill("50")
    rider.page.get_by_role("button", name="Save gate").click()
    expect(rider.page.locator("#mark")).to_contain_text("Mark 1 of 3")
    mark(rider)
    rider.page.wait_for_timeout(600)
    mark(rider)
    rider.page.get_by_role("button", name="Missed a mark").click()
    installation.comes_to("test_sessions_pass", 1)
    [(splits, duration_s)] = installation.rows("test_sessions_pass", "split_times_s, duration_s")
    assert splits == "[]"
    assert duration_s == pytest.approx(0.6, abs=0.3)


def test_the_mean_of_both_ways_stands_there_at_once(rider):
    rider.start_session().to("Time a pass")
    for _ in range(2):
        expect(rider.page.locator("#mark")).to_contain_text("Mark 1 of 2")
        mark(rider)
        rider.page.wait_for_timeout(500)
        mark(rider)
    expect(rider.page.locator("#both-ways")).to_contain_text("mean of both ways, passes 1 and 2")


def test_the_mean_of_both_ways_is_said_on_the_riding_screen_too(rider):
    rider.start_session()
    ride(rider)
    for _ in range(2):
        expect(rider.page.locator("#mark")).to_contain_text("Mark 1 of 2")
        mark(rider)
        rider.page.wait_for_timeout(500)
        mark(rider)
        expect(rider.page.locator("#said")).to_contain_text("Pass saved")
    expect(rider.page.locator("#said")).to_contain_text(re.compile(r"Both ways: \d+ ± \d+ km/h"))


@pytest.mark.parametrize("size", [(390, 844), (360, 640)])
def test_an_error_is_seen_and_is_not_in_the_way_of_the_next_tap(size, rider):
    """It stood over Board and Reading until somebody closed it."""
    width, height = size
    rider.page.set_viewport_size({"width": width, "height": height})
    rider.start_session()
    ride(rider)
    words = "NOT saved: this phone's storage is full. What you entered is still here. Free some space, then save again."
    rider.page.evaluate("async (words) => (await module('elements')).say(words, { wrong: true })", words)
    expect(rider.page.locator("#said")).to_contain_text("storage is full")
    for name in ("Board", "Reading"):
        reached = rider.page.get_by_role("link", name=name, exact=True).evaluate(
            """(part) => { const { x, y, width, height } = part.getBoundingClientRect();
                return part.contains(document.elementFromPoint(x + width / 2, y + height / 2)); }"""
        )
        assert reached, name
    assert boxes_apart(rider, "#said", ".turn .figure-line")
    assert boxes_apart(rider, "#said", "#mark")
    assert rider.page.locator("#said").bounding_box()["y"] >= 0
    rider.page.get_by_role("link", name="Board", exact=True).click()
    rider.page.wait_for_selector("nav.board")
