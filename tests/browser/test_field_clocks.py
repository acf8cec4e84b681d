"""A phone's two clocks on the real page: its count may stand still while it sleeps, its time of day may be set.

Each is moved alone, by a script that stands before the page. That they do this is said by High Resolution Time
(W3C, section 4: whether the monotonic clock ticks during sleep is left to the system) and ECMA-262 (Date follows
the system's time, which a person or a network may set).
"""

import os
import re
from datetime import datetime
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


@pytest.mark.parametrize(
    ("wall_s", "count_s"), [(20, 0), (0.5, 0), (0, 20), (3600, 0), (-3600, 0), (-0.5, 0), (90_000, 0)]
)
def test_a_pass_whose_clocks_disagree_is_kept_and_does_not_count(rider, installation, wall_s, count_s):
    rider.to("Time a pass")
    time_a_pass(rider, wall_s, count_s)
    duration_s, valid, reason, begins_s = stored_pass(rider, installation)
    assert not valid
    found = re.match(
        r"the phone's clocks disagree: ([\d.]+) s by one, (−?[\d.]+) s by the other\. "
        r"The phone slept, or its time was set\.$", reason,
    )  # fmt: skip
    assert found, reason
    counted_s, by_wall_s = (float(one.replace("−", "-")) for one in found.groups())
    assert by_wall_s - counted_s == pytest.approx(wall_s - count_s, abs=0.6)
    # No speed that was not reached: the longer of the two is kept, as far as a pass may be long.
    longer_s = max(one for one in (counted_s, by_wall_s) if one < 86_400)
    assert duration_s == pytest.approx(longer_s, abs=0.6)
    assert 0 <= begins_s < 60
    expect(rider.page.locator("#speed")).to_have_text("no speed")
    expect(rider.page.locator(".result")).to_contain_text("does not count: the phone's clocks disagree")
    # There is no time to bring back.
    expect(rider.page.get_by_role("button", name="Bring it back")).to_have_count(0)
    if wall_s == 20:
        picture(rider, "slept")
    rider.to("Board")
    expect(rider.page.locator(".logged")).to_contain_text("last not timed, out")


@pytest.mark.parametrize("away_s", [0.0, 12.0])
def test_clocks_that_agree_time_a_pass(rider, installation, away_s):
    """Also within the 0.3 s that clocks may part by: a time server moves one of them a little."""
    rider.to("Time a pass")
    time_a_pass(rider, away_s + 0.2, away_s)
    duration_s, valid, reason, _ = stored_pass(rider, installation)
    assert (valid, reason) == (1, "")
    assert duration_s == pytest.approx(away_s + 0.6, abs=0.5)


def test_a_tap_after_a_sleep_is_no_bounce(rider):
    """The count stands still while the phone sleeps, so it may say a tenth of a second."""
    rider.to("Time a pass")
    mark(rider, "Mark 1 of 2")
    expect(rider.page.locator("#mark")).to_contain_text("Mark 2 of 2")
    move(rider, wall_s=20, count_s=-0.2)
    mark(rider, "Mark 2 of 2")
    expect(rider.page.locator(".result")).to_contain_text("does not count")


def test_a_page_opened_anew_between_the_marks_has_one_clock_only(rider, installation):
    rider.to("Time a pass")
    mark(rider, "Mark 1 of 2")
    expect(rider.page.locator("#mark")).to_contain_text("Mark 2 of 2")
    rider.page.wait_for_timeout(300)
    rider.page.reload()
    rider.ready()
    mark(rider, "Mark 2 of 2")
    expect(rider.page.locator(".result")).to_contain_text("only one of the phone's clocks timed it")
    duration_s, valid, _, _ = stored_pass(rider, installation)
    assert (duration_s > 0.3, valid) == (True, 0)


def readings_in_order(installation):
    rows = installation.rows("test_sessions_reading", "sequence, charge_used_ah, time_into_session_s")
    return sorted(rows)


def test_with_the_time_set_back_the_newest_reading_stays_the_newest(rider, installation):
    rider.read(charge="6", distance="5")
    move(rider, wall_s=-3600)
    rider.read(charge="7", distance="6")
    gauge = rider.page.locator("dl.gauge", has_text="Charge used")
    expect(gauge).to_contain_text("7 Ah")
    expect(gauge).to_contain_text(re.compile(r"read off \d+ s ago"))
    expect(rider.page.locator("#clocks")).to_contain_text("jumped 1 h 0 min back (it was set)")
    picture(rider, "set-back")
    rider.queue(0)
    (first, six, early_s), (second, seven, late_s) = readings_in_order(installation)
    assert (six, seven) == (6.0, 7.0)
    assert first < second
    assert 0 <= early_s <= late_s < 60
    rider.to("Reading")
    expect(rider.page.locator("#in-charge_used_ah-last")).to_contain_text(re.compile(r"Last 7 Ah, \d+ s ago"))
    # Closed meanwhile, the page still knows that the session is no younger than it was.
    rider.page.reload()
    rider.ready()
    rider.page.evaluate("() => { location.hash = 'board'; }")
    expect(rider.page.locator("#runtime")).to_have_text(re.compile(r"^\d+ s$"))


def test_set_back_while_the_page_was_closed(rider, installation):
    move(rider, wall_s=300, count_s=300)
    rider.read(charge="6", distance="5")
    move(rider, wall_s=-3600)
    rider.page.reload()
    rider.ready()
    expect(rider.page.locator("#runtime")).to_have_text(re.compile(r"^5 min( \d+ s)?$"))
    rider.read(charge="7", distance="6").queue(0)
    assert [row[1] for row in readings_in_order(installation)] == [6.0, 7.0]


@pytest.mark.parametrize("wall_s", [3600, -3600])
def test_a_session_of_seconds_stays_one_when_the_time_is_set(rider, installation, wall_s):
    move(rider, wall_s=wall_s)
    words = "1 h 0 min ahead" if wall_s > 0 else "1 h 0 min back"
    expect(rider.page.locator("#clocks")).to_contain_text(words)
    expect(rider.page.locator("#runtime")).to_have_text(re.compile(r"^\d+ s$"))
    picture(rider, f"set-{wall_s}")
    rider.to("End")
    expect(rider.page.locator("#in-runtime_s-last")).to_contain_text(words)
    minutes = float(rider.page.get_by_role("textbox", name="Runtime").input_value())
    assert minutes < 1
    rider.page.get_by_role("button", name="End session").click()
    expect(rider.page.get_by_role("heading", name="Session ended")).to_be_visible()
    expect(rider.page.locator(".queue").first).to_contain_text("are on the server", timeout=15000)
    [(started, ended, runtime_s)] = installation.rows("test_sessions_session", "started_at, ended_at, runtime_s")
    assert 0 < (datetime.fromisoformat(ended) - datetime.fromisoformat(started)).total_seconds() < 60
    assert runtime_s < 60


def test_a_page_that_was_away_while_its_count_stood_still_says_both_times(rider, installation):
    """The phone slept in the pocket for 20 min, or its time was set: nobody knows which, so no runtime is offered."""
    rider.page.evaluate("() => putAway(true)")
    move(rider, wall_s=1200)
    rider.page.evaluate("() => putAway(false)")
    runtime = rider.page.locator("dl.gauge", has_text="Runtime")
    expect(runtime).to_contain_text(re.compile(r"20 min \d+ ssince .*, or \d+ s: the phone slept, or its time was set"))
    picture(rider, "was-away")
    rider.to("End")
    expect(rider.page.get_by_role("textbox", name="Runtime")).to_have_value("")
    expect(rider.page.locator("#in-runtime_s-last")).to_contain_text(
        re.compile(r"The phone's clocks disagree: \d+ s by one, 20 min \d+ s by the other")
    )
    picture(rider, "was-away-end")
    rider.page.get_by_role("button", name="End session").click()
    expect(rider.page.locator("#field")).to_contain_text("for how long is not known")


def test_turn_back_counts_the_longer_of_two_times(rider):
    """What nobody saw may have been ridden: with the time an hour ahead, 43 km at the speed that is assumed."""
    rider.read(charge="6", distance="5")
    turn = rider.page.locator("dl.gauge", has_text="Turn back after")
    expect(turn).to_contain_text("10.3")
    move(rider, wall_s=-3600)
    rider.page.wait_for_timeout(1500)
    expect(turn).to_contain_text("10.3")
    move(rider, wall_s=7200)
    expect(turn).to_contain_text("turn back now")


@pytest.mark.parametrize("uses", [True, False])
def test_an_old_first_mark_is_asked_about(rider, installation, uses):
    rider.to("Time a pass")
    mark(rider, "Mark 1 of 2")
    expect(rider.page.locator("#mark")).to_contain_text("Mark 2 of 2")
    move(rider, wall_s=14 * 60 + 5, count_s=14 * 60 + 5)
    mark(rider, "Mark 2 of 2")
    question = rider.page.locator("#question")
    expect(question).to_contain_text("The first mark is 14 min old. Use it, or start over?")
    picture(rider, "old-mark")
    # The page is thrown away before it is answered: neither mark is lost.
    rider.page.reload()
    rider.ready()
    expect(question).to_contain_text("14 min old")
    assert installation.count("test_sessions_pass") == 0
    rider.page.get_by_role("button", name="Use it" if uses else "Start over: this tap is mark 1").click()
    if uses:
        expect(rider.page.locator("#speed")).to_contain_text("km/h")
        duration_s, valid, _, _ = stored_pass(rider, installation)
        assert (round(duration_s / 60), valid) == (14, 1)
    else:
        expect(rider.page.locator("#mark")).to_contain_text("Mark 2 of 2")
        expect(question).to_be_hidden()
        assert installation.count("test_sessions_pass") == 0


ANSWER_DURING_A_REDRAW = """async (share) => {
    const turn = () => new Promise((next) => {
        const channel = new MessageChannel();
        channel.port1.onmessage = next;
        channel.port2.postMessage(0);
    });
    const redrawn = async (act = () => {}, at = 0) => {
        const before = document.getElementById("mark");
        let turns = 0;
        dispatchEvent(new Event("hashchange"));
        for (; document.getElementById("mark") === before && turns < 100_000; turns += 1) {
            if (turns === at) act();
            await turn();
        }
        if (turns <= at) act();
        return turns;
    };
    const turns = await redrawn();
    await redrawn(() => document.querySelector("#question .row").lastElementChild.click(), Math.floor(share * turns));
}"""


def test_an_answer_holds_while_the_page_is_being_redrawn(rider):
    """A redraw takes some turns of the event loop; the answer falls into several of them."""
    rider.to("Time a pass")
    mark(rider, "Mark 1 of 2")
    for share in (0.2, 0.4, 0.6, 0.7, 0.8, 0.9):
        expect(rider.page.locator("#mark")).to_contain_text("Mark 2 of 2")
        move(rider, wall_s=14 * 60 + 5, count_s=14 * 60 + 5)
        mark(rider, "Mark 2 of 2")
        expect(rider.page.locator("#question")).to_contain_text("min old")
        rider.page.reload()
        rider.ready()
        expect(rider.page.locator("#question")).to_contain_text("min old")
        rider.page.evaluate(ANSWER_DURING_A_REDRAW, share)


def held_locks(phone):
    return phone.page.evaluate("() => locks.filter((one) => one.held).length")


def test_the_screen_stays_on_while_a_pass_is_timed(rider):
    rider.to("Time a pass")
    assert rider.page.evaluate("() => locks.length") == 0
    mark(rider, "Mark 1 of 2")
    expect(rider.page.locator("#mark")).to_contain_text("Mark 2 of 2")
    assert held_locks(rider) == 1
    # The phone takes the lock away out of view; back in view it is asked for again.
    rider.page.evaluate("() => { locks[0].held = false; putAway(true); putAway(false); }")
    rider.page.wait_for_timeout(300)
    assert held_locks(rider) == 1
    mark(rider, "Mark 2 of 2")
    expect(rider.page.locator("#speed")).to_be_visible()
    assert held_locks(rider) == 0
    rider.page.evaluate("() => { putAway(true); putAway(false); }")
    rider.page.wait_for_timeout(300)
    assert held_locks(rider) == 0


@pytest.mark.parametrize("size", SIZES)
def test_the_mark_never_moves(rider, size):
    page = rider.page
    page.set_viewport_size({"width": size[0], "height": size[1]})
    rider.to("Time a pass")
    button = page.locator("#mark")
    expect(button).to_contain_text("Mark 1 of 2")
    place = button.bounding_box()
    assert place["y"] >= size[1] / 3
    assert place["y"] + place["height"] <= size[1]
    flip = page.get_by_role("button", name="Flip")
    seen = []

    def look(state):
        picture(rider, f"{size[0]}-{state}")
        seen.append((state, button.bounding_box()))
        # What a finger meets there is the mark and nothing else.
        middle = [place["x"] + place["width"] / 2, place["y"] + place["height"] / 2]
        assert page.evaluate("([x, y]) => document.elementFromPoint(x, y).closest('#mark') !== null", middle), state

    expect(flip).to_be_enabled()
    look("before")
    page.mouse.wheel(0, 400)
    look("scrolled")
    page.mouse.wheel(0, -400)
    mark(rider, "Mark 1 of 2")
    expect(button).to_contain_text("Mark 2 of 2")
    expect(flip).to_be_disabled()
    look("running")
    page.wait_for_timeout(400)
    # Three late taps on the same place: the end of the pass, and two that hit nothing.
    for _ in range(3):
        page.touchscreen.tap(place["x"] + place["width"] / 2, place["y"] + place["height"] / 2)
        page.wait_for_timeout(60)
    expect(page.locator("#speed")).to_be_visible()
    look("saved")
    expect(button).to_contain_text("Mark 1 of 2")
    expect(button).to_contain_text("the last mark, coming back")
    look("result")
    expect(flip).to_have_text("Flip: going back")
    assert len(rider.kept("outings")[0]["passes"]) == 1
    page.get_by_role("button", name="Strike it out").click()
    expect(page.get_by_role("button", name="Bring it back")).to_be_visible()
    look("struck")
    flip.click()
    expect(button).to_contain_text("as it passes the first mark")
    look("flipped")
    mark(rider, "Mark 1 of 2")
    expect(button).to_contain_text("Mark 2 of 2")
    move(rider, wall_s=900, count_s=900)
    mark(rider, "Mark 2 of 2")
    expect(page.locator("#question")).to_be_visible()
    look("asked")
    page.get_by_role("button", name="Start over: this tap is mark 1").click()
    expect(button).to_contain_text("Mark 2 of 2")
    look("anew")
    page.wait_for_timeout(400)
    move(rider, wall_s=20)
    mark(rider, "Mark 2 of 2")
    expect(page.locator(".result")).to_contain_text("does not count")
    look("disagreed")
    assert [box for _, box in seen] == [place] * len(seen)


def test_a_pass_that_runs_keeps_its_way_whatever_is_done_elsewhere(rider, installation):
    rider.to("Time a pass")
    mark(rider, "Mark 1 of 2")
    expect(rider.page.locator("#mark")).to_contain_text("Mark 2 of 2")
    rider.to("From video")
    rider.page.get_by_role("textbox", name="Whole seconds").fill("7")
    rider.page.get_by_role("textbox", name="Frame rate").fill("30")
    rider.page.get_by_role("button", name="Save pass").click()
    # A second tap within this time is a bounce of the first.
    rider.page.wait_for_timeout(400)
    mark(rider, "Mark 2 of 2")
    expect(rider.page.locator(".result")).to_contain_text("Pass 2, out")
    rider.queue(0)
    assert sorted(installation.rows("test_sessions_pass", "method, direction")) == [
        ("stopwatch", "out"), ("video", "out"),
    ]  # fmt: skip
