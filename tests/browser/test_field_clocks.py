"""A phone's two clocks on the real page: what a pass and a session make of them where they part."""

import re
from datetime import datetime

import pytest
from playwright.sync_api import expect

from tests.browser.two_clocks import mark, move, picture, rider, stored_pass, time_a_pass

__all__ = ["rider"]


@pytest.mark.parametrize(
    ("wall_s", "count_s"), [(20, 0), (0.5, 0), (0, 20), (3600, 0), (-3600, 0), (-0.5, 0), (90_000, 0)]
)
def test_a_pass_whose_clocks_disagree_is_kept_and_does_not_count(rider, installation, wall_s, count_s):
    rider.to("Time a pass")
    time_a_pass(rider, wall_s, count_s)
    duration_s, valid, reason, begins_s = stored_pass(rider, installation)
    assert not valid
    matched = re.match(
        r"the phone's clocks disagree: ([\d.]+) s by one, (−?[\d.]+) s by the other\. "
        r"The phone slept, or its time was set\.$", reason,
    )  # fmt: skip
    assert matched, reason
    counted_s, by_wall_s = (float(group.replace("−", "-")) for group in matched.groups())
    assert by_wall_s - counted_s == pytest.approx(wall_s - count_s, abs=0.6)
    # No speed that was not reached: the longer of the two is kept, as far as a pass may be long.
    longer_s = max(item for item in (counted_s, by_wall_s) if item < 86_400)
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
    expect(rider.page.locator(".queue").first).to_contain_text("are on the server")
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
