"""Two phones, one at each mark: the arithmetic of their clocks, and a pass made of a tap on each."""

import random
import time

import pytest
from playwright.sync_api import expect

# A phone whose time of day is wrong by 37 s.
WRONG_DATE = "const now = Date.now.bind(Date); Date.now = () => now() + 37_000;"


def offset_and_delay(script, sent_s, received_s, answered_s, arrived_s):
    times = {"sent_s": sent_s, "received_s": received_s, "answered_s": answered_s, "arrived_s": arrived_s}
    answer = script("(times) => clock_comparison.offsetAndDelay(times)", times)
    return answer["offset_s"], answer["delay_s"]


def test_offset_and_delay_by_hand(script):
    # RFC 5905, 8: θ = ((T2 − T1) + (T3 − T4)) / 2, δ = (T4 − T1) − (T3 − T2). The server is 150 s ahead; 40 ms there,
    # 5 ms at the server, 20 ms back: θ is wrong by half the difference of the ways, 10 ms, and δ is their sum.
    offset_s, delay_s = offset_and_delay(script, 100.0, 250.040, 250.045, 100.065)
    assert (offset_s, delay_s) == (pytest.approx(150.010), pytest.approx(0.060))


def test_the_error_of_an_offset_stays_within_half_the_delay(script):
    """RFC 5905, 8 and appendix: whatever the ways there and back, the offset is off by at most half their sum."""
    dice = random.Random(5905)
    for _ in range(300):
        true_s, there_s, there_for_s, back_s = (
            dice.uniform(-1e5, 1e5),
            dice.expovariate(10),
            0.003,
            dice.expovariate(10),
        )
        arrival_s = 50.0 + there_s + true_s
        answer = offset_and_delay(
            script, 50.0, arrival_s, arrival_s + there_for_s, 50.0 + there_s + there_for_s + back_s
        )
        assert abs(answer[0] - true_s) <= answer[1] / 2 + 1e-9


def test_uncertainty_grows_with_delay_and_age(script):
    # JCGM 100:2008, 4.3.7: rectangular, half-width a: a/√3. 60 ms of delay: 30/√3 = 17.32 ms. 600 s at 100 ppm: 60 ms,
    # 34.64 ms; both together 38.73 ms.
    u_s = [
        script("(asked) => clock_comparison.clockU(asked)", {"delay_s": delay_s, "age_s": age_s})
        for delay_s, age_s in ((0.06, 0), (0, 600), (0.06, 600), (-1e-6, 0))
    ]
    assert u_s == [pytest.approx(value, abs=5e-6) for value in (0.01732, 0.03464, 0.03873, 0)]


def moment(script, tap, at=("page", 1000, 5_000_000)):
    clocks = [dict(zip(("page", "count_ms", "wall_ms"), item, strict=True)) for item in (tap, at)]
    return script("([tap, at]) => clock_comparison.momentOf(tap, { at, server_s: 7000, delay_s: 0 })", clocks)


def test_a_tap_has_the_servers_time_by_the_count_and_says_what_the_clocks_part_by(script):
    agreed = moment(script, ("page", 11_000, 5_010_000))
    assert (agreed["server_s"], agreed["reason"]) == (7010.0, "")
    # The time of day was put right by 50 ms meanwhile: 50/√3 = 28.87 ms, beside 1 ms of drift (0.58 ms).
    slewed = moment(script, ("page", 11_000, 5_010_050))
    assert (slewed["server_s"], slewed["reason"]) == (7010.0, "")
    assert slewed["u_s"] == pytest.approx(0.02887, abs=2e-5)
    slept = moment(script, ("page", 11_000, 5_040_000))
    assert slept["reason"] == (
        "The phone's clocks parted by 30.0 s since they were compared: it slept, or its time was set."
    )
    closed = moment(script, ("other page", 200, 5_010_000))
    assert closed["server_s"] == 7010.0
    assert "The page was closed" in closed["reason"]


def clocks(page, count_ms, wall_ms):
    return {"page": page, "count_ms": count_ms, "wall_ms": wall_ms}


def test_a_comparison_outlives_a_reload_and_its_uncertainty_has_what_that_may_hide(script):
    """The old page goes 20 s after the comparison, the new one has then counted 0.6 s since its reload began."""
    at, went, tap = clocks("old", 1000, 5_000_000), clocks("old", 21_000, 5_020_000), clocks("new", 10_600, 5_030_400)

    def after(came):
        return script(
            "([at, went, came, tap]) => clock_comparison.momentOf(tap, { at, server_s: 7000, delay_s: 0 }, "
            "session_clock.reloadBetween(went, came))",
            [at, went, came, tap],
        )

    bridged = after(clocks("new", 600, 5_020_400))
    assert (bridged["server_s"], bridged["reason"]) == (pytest.approx(7030.4), "")
    # JCGM 100:2008, 4.3.7: a clock that was set within these 0.6 s is off by at most that, 0.6/√3; 3 ms of drift.
    assert bridged["u_s"] == pytest.approx(0.3464, abs=1e-4)
    for wall_ms in (5_021_000, 5_019_900):
        # Away for longer than the reload took, or back before it went: the time of day alone says so.
        assert "The page was closed" in after(clocks("new", 600, wall_ms))["reason"]


@pytest.fixture
def both(phones, installation):
    """A phone at the first mark, and one at the last whose time of day is wrong, in one session."""
    near = phones().signed_in(installation, "ilo")
    far = phones()
    far.context.add_init_script(WRONG_DATE)
    far.signed_in(installation, "mara")
    near.start_session().queue(0)
    far.open()
    far.page.get_by_role("button", name="Join Bench sled").click()
    far.page.wait_for_selector("nav.board")
    for phone, mark in ((near, "First mark"), (far, "Last mark")):
        phone.page.evaluate("() => { location.hash = 'marks'; }")
        phone.page.get_by_role("button", name=mark).click()
        expect(phone.page.locator("#compared")).to_contain_text("this phone's is known to ±")
    yield near, far
    assert near.errors + far.errors == []


def tap(phone):
    """Taps the mark; returns when, by the clock of this test, with half of how long the tap itself took."""
    expect(phone.page.locator("#moment")).to_be_enabled()
    began = time.monotonic()
    phone.page.locator("#moment").dispatch_event("pointerdown", {"isPrimary": True, "button": 0})
    ended = time.monotonic()
    expect(phone.page.locator("#said")).to_contain_text("saved on this phone")
    return (began + ended) / 2, (ended - began) / 2


def stored(installation):
    return installation.rows(
        "test_sessions_pass where method = 'two_phones'", "duration_s, u_duration_s, direction, valid"
    )


def test_a_tap_on_each_phone_makes_one_pass(both, installation, photograph_phone):
    near, far = both
    first_s, first_within_s = tap(near)
    near.page.wait_for_timeout(3000)
    second_s, second_within_s = tap(far)
    installation.comes_to("test_sessions_pass", 1)
    [(duration_s, u_s, direction, valid)] = stored(installation)
    assert (direction, valid) == ("out", 1)
    # The taps come without a thumb's delay, so what is left is the clocks', far less than the thumbs' 0.14 s.
    assert abs(duration_s - (second_s - first_s)) < 0.1 + first_within_s + second_within_s
    assert 0.14 < u_s < 0.25
    for phone in both:
        expect(phone.page.locator("#paired")).to_contain_text("Pass 1, out:")
        expect(phone.page.locator("#paired")).to_contain_text("km/h")
    photograph_phone(near, "marks")
    # Nothing stays behind the mark button.
    for phone in both:
        phone.to("Board")
        phone.page.wait_for_selector("nav.board")


def test_marks_that_were_tapped_without_a_network_make_their_pass_later(both, network, installation):
    near, far = both
    network.fault = lambda method, path: "down" if "/api/" in path else ""
    first_s, first_within_s = tap(far)
    near.page.wait_for_timeout(2500)
    second_s, second_within_s = tap(near)
    expect(near.page.locator("#marks-sent")).to_contain_text("1 not sent yet")
    assert stored(installation) == []
    network.fault = lambda method, path: ""
    for phone in both:
        phone.page.evaluate("() => { dispatchEvent(new Event('online')); }")
    installation.comes_to("test_sessions_pass", 1)
    [(duration_s, _, direction, _)] = stored(installation)
    assert direction == "back"
    assert abs(duration_s - (second_s - first_s)) < 0.1 + first_within_s + second_within_s


def test_a_mark_counts_after_a_reload_without_a_network(both, network, installation):
    near, far = both
    network.fault = lambda method, path: "down" if "/api/" in path else ""
    for _ in range(2):
        near.page.reload()
        expect(near.page.locator("#compared")).to_contain_text("this phone's is known to ±")
    first_s, first_within_s = tap(near)
    near.page.wait_for_timeout(2500)
    second_s, second_within_s = tap(far)
    network.fault = lambda method, path: ""
    for phone in both:
        phone.page.evaluate("() => { dispatchEvent(new Event('online')); }")
    installation.comes_to("test_sessions_pass", 1)
    [(duration_s, u_s, direction, valid)] = stored(installation)
    assert (direction, valid) == ("out", 1)
    assert abs(duration_s - (second_s - first_s)) < 0.1 + first_within_s + second_within_s
    assert u_s > 0.14


def test_without_a_comparison_nothing_is_marked_and_the_screen_says_why(phone, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down" if "/api/" in path else ""
    phone.page.evaluate("() => { location.hash = 'marks'; }")
    phone.page.get_by_role("button", name="First mark").click()
    expect(phone.page.locator("#compared")).to_contain_text("The clocks are not compared yet.")
    expect(phone.page.locator("#moment")).to_be_disabled()


def test_a_mark_is_listed_edited_and_deleted(both, installation):
    near, _ = both
    tap(near)
    near.page.evaluate("() => { location.hash = 'logged'; }")
    near.page.get_by_role("link", name="Edit: First mark").click()
    near.page.get_by_text("It does not", exact=True).click()
    near.page.get_by_label("If not, why?").fill("Tapped too late")
    near.page.get_by_role("button", name="Save").click()
    installation.comes_to("test_sessions_marktap where invalid_reason = 'Tapped too late'", 1)
    near.page.get_by_role("button", name="Delete: First mark").click()
    installation.comes_to("test_sessions_marktap", 0)
