"""A phone whose two clocks part on the real page: its count may stand still in sleep, its time of day may be set.

Each is moved alone, by a script that stands before the page. That they do this is said by High Resolution Time
(W3C, section 4: whether the monotonic clock ticks during sleep is left to the system) and ECMA-262 (Date follows
the system's time, which a person or a network may set).
"""

import os
from pathlib import Path

import pytest
from playwright.sync_api import expect

TWO_CLOCKS = """
    const [real, now] = [Date, performance.now.bind(performance)];
    const moved = JSON.parse(sessionStorage.getItem("moved") ?? '{"wall": 0, "count": 0}');
    const stamp = Object.getOwnPropertyDescriptor(Event.prototype, "timeStamp").get;
    globalThis.Date = class extends real {
        constructor(...given) { if (given.length) super(...given); else super(real.now() + moved.wall); }
        static now() { return real.now() + moved.wall; }
    };
    performance.now = () => now() + moved.count;
    Object.defineProperty(Event.prototype, "timeStamp", { get() { return stamp.call(this) + moved.count; } });
    globalThis.moveClocks = (wall_s, count_s) => {
        moved.wall += 1000 * wall_s;
        moved.count += 1000 * count_s;
        sessionStorage.setItem("moved", JSON.stringify(moved));
    };
    globalThis.hidden = false;
    Object.defineProperty(document, "visibilityState", { get: () => (globalThis.hidden ? "hidden" : "visible") });
    globalThis.putAway = (hidden) => {
        globalThis.hidden = hidden;
        document.dispatchEvent(new Event("visibilitychange"));
    };
    globalThis.locks = [];
    Object.defineProperty(navigator, "wakeLock", { value: { request: async () => {
        const made = { held: true, release: async () => { made.held = false; } };
        locks.push(made);
        return made;
    } } });
"""
SIZES = [(390, 844), (360, 640)]


@pytest.fixture
def rider(phones, installation):
    made = phones()
    made.page.add_init_script(f"(() => {{ {TWO_CLOCKS} }})()")
    made.signed_in(installation).start_session()
    yield made
    assert made.errors == []


def move(phone, wall_s=0.0, count_s=0.0):
    phone.page.evaluate("([wall_s, count_s]) => moveClocks(wall_s, count_s)", [wall_s, count_s])


def picture(phone, name):
    folder = os.environ.get("FIRNLOG_PICTURES")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        phone.page.screenshot(path=f"{folder}/clocks-{name}.png")


def mark(phone, text):
    place = phone.page.locator("#mark")
    expect(place).to_contain_text(text)
    place.tap()


def time_a_pass(phone, wall_s=0.0, count_s=0.0):
    mark(phone, "Mark 1 of 2")
    expect(phone.page.locator("#mark")).to_contain_text("Mark 2 of 2")
    phone.page.wait_for_timeout(400)
    move(phone, wall_s, count_s)
    mark(phone, "Mark 2 of 2")
    expect(phone.page.locator("#mark")).to_contain_text("Mark 1 of 2")


def stored_pass(phone, installation):
    phone.queue(0)
    [row] = installation.rows("test_sessions_pass", "duration_s, valid, invalid_reason, time_into_session_s")
    return row
