"""The mark button: old marks, redraws, a screen that stays on, and a place that never moves."""

import pytest
from playwright.sync_api import expect

from tests.browser.two_clocks import SIZES, mark, move, picture, rider, stored_pass
from tests.browser.waits import wait_until

__all__ = ["rider"]


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
    # A second tap within this time is a bounce of the first.
    rider.page.wait_for_timeout(400)
    wait_until(lambda: held_locks(rider) == 1, "the screen is not kept on again")
    mark(rider, "Mark 2 of 2")
    expect(rider.page.locator("#speed")).to_be_visible()
    assert held_locks(rider) == 0
    rider.page.evaluate("() => { putAway(true); putAway(false); }")
    rider.page.wait_for_timeout(300)
    assert held_locks(rider) == 0


def test_the_screen_stays_on_while_the_riding_screen_is_open(rider):
    rider.to("Ride")
    rider.page.wait_for_selector("#instrument")
    assert held_locks(rider) == 1
    rider.page.evaluate("() => { location.hash = 'board'; }")
    rider.page.wait_for_selector("nav.board")
    wait_until(lambda: held_locks(rider) == 0, "the screen stays on")


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
