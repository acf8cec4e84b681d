"""Timing a pass on a clip whose every frame's time is known."""

import struct

import pytest
from playwright.sync_api import expect

from sessions.models import GateMark, Pass
from tests.browser import known_clip
from tests.browser.accessibility import broken_rules
from tests.browser.sizes import ONE_SIZE
from tests.browser.test_main_job import fits

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def opened(page, live_server, signed_in, session, gate, photograph):
    signed_in("recorder")

    def open_clip(times_ms):
        page.goto(f"{live_server.url}/sessions/{session.pk}/time-video/")
        clip = known_clip.make(page, times_ms)
        page.get_by_label("Clip", exact=True).set_input_files(
            {"name": "clip.webm", "mimeType": "video/webm", "buffer": clip}
        )
        page.wait_for_selector("#video-timing[data-ready]")
        return page

    return open_clip


def frame_ms(page):
    words = page.locator("#frame").inner_text()
    return round(1000 * float(words.removeprefix("frame at ").split()[0]))


def step(page, button, count):
    """Press a button and see that exactly the next frame's time comes, again and again."""
    seen = []
    for _ in range(count):
        before = page.locator("#frame").inner_text()
        page.get_by_role("button", name=button, exact=True).click()
        expect(page.locator("#frame")).not_to_have_text(before)
        seen.append(frame_ms(page))
    return seen


def test_every_frame_is_met_once_forwards_and_backwards(opened):
    # Unequal on purpose: 30 and 25 frames/s in turns, as phones film.
    times = [sum(33 if index % 2 else 40 for index in range(count)) for count in range(40)]
    page = opened(times)
    assert frame_ms(page) == times[0]
    assert step(page, "Next frame", 12) == times[1:13]
    assert step(page, "Previous frame", 5) == times[7:12][::-1]
    page.evaluate("() => document.activeElement.blur()")
    page.keyboard.press("ArrowRight")
    expect(page.locator("#frame")).to_have_text(f"frame at {times[8] / 1000:.4f} s of the clip")
    assert fits(page)
    assert broken_rules(page) == []
    # A finger's width on the bar is not a minute of the clip.
    assert page.locator("#seek").bounding_box()["width"] > 220


@ONE_SIZE
def test_a_pass_is_saved_with_its_uncertainty(opened, session, photograph):
    times = [33 * index for index in range(60)]
    page = opened(times)
    page.get_by_role("button", name="This frame is mark 1 of 2").click()
    step(page, "Next frame", 20)
    page.get_by_label("Recorded at, frames/s").fill("30")
    page.keyboard.press("Tab")
    page.get_by_role("button", name="This frame is mark 2 of 2").click()
    expect(page.locator("#time")).to_have_text("0.6600 s from the first to the last mark")
    photograph("video")
    page.get_by_role("button", name="Save the pass").click()
    expect(page.locator("main")).to_contain_text("0.66")
    run = Pass.objects.get()
    assert (run.method, run.frames_per_s, run.direction) == ("video", 30.0, "out")
    assert run.duration_s == pytest.approx(0.66)
    # JCGM 100:2008, 4.3.9, half-width one frame of 1/30 s: 0.0136 s; twice that is shown, in two digits.
    assert "0.660 ± 0.027 s" in page.text_content("main")


@ONE_SIZE
def test_slow_motion_is_told_apart_and_a_mark_between_is_kept(opened, session, gate):
    GateMark.objects.create(gate=gate, position_m=50.0)
    page = opened([33 * index for index in range(40)])
    for count, mark in ((0, 1), (8, 2), (10, 3)):
        step(page, "Next frame", count)
        page.get_by_role("button", name=f"This frame is mark {mark} of 3").click()
    page.get_by_label("Recorded at, frames/s").fill("240")
    page.get_by_label("Slow motion").check()
    page.get_by_label("then it plays at").fill("30")
    page.get_by_role("button", name="Save the pass").click()
    expect(page.locator("main")).to_contain_text("Saved")
    run = Pass.objects.get()
    # 18 frames of 33 ms on the clip, taken eight times as fast: 0.594 s / 8.
    assert run.duration_s == pytest.approx(0.594 / 8)
    assert run.split_times_s == pytest.approx([0.264 / 8])
    assert run.frames_per_s == 240.0


@ONE_SIZE
def test_marks_go_forwards_and_can_be_taken_back(opened):
    page = opened([33 * index for index in range(20)])
    step(page, "Next frame", 4)
    page.get_by_role("button", name="This frame is mark 1 of 2").click()
    step(page, "Previous frame", 2)
    page.get_by_role("button", name="This frame is mark 2 of 2").click()
    assert "comes after the one before" in page.text_content("#wrong")
    page.get_by_role("button", name="Remove the last mark").click()
    expect(page.get_by_role("button", name="This frame is mark 1 of 2")).to_be_visible()


def test_the_bar_and_jumps_lead_to_any_place(opened):
    """A clip of 60 s, a frame every 200 ms: its end is three taps away, not three hundred."""
    page = opened([200 * index for index in range(300)])
    page.get_by_role("button", name="+10 s").click()
    expect(page.locator("#frame")).to_have_text("frame at 10.0000 s of the clip")
    page.get_by_role("button", name="−1 s").click()
    expect(page.locator("#frame")).to_have_text("frame at 9.0000 s of the clip")
    page.get_by_label("Place in the clip").fill("45.05")
    expect(page.locator("#frame")).to_have_text("frame at 45.0000 s of the clip")
    page.evaluate("() => document.activeElement.blur()")
    page.keyboard.press("PageDown")
    expect(page.locator("#frame")).to_have_text("frame at 55.0000 s of the clip")
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator("#frame")).to_have_text("frame at 54.0000 s of the clip")
    assert float(page.get_by_label("Place in the clip").input_value()) == pytest.approx(54.0)
    assert fits(page)


@ONE_SIZE
def test_a_rate_that_the_clip_does_not_have_is_doubted(opened):
    page = opened([33 * index for index in range(30)])
    assert page.get_by_label("Recorded at, frames/s").input_value() == "30.3"
    page.get_by_label("Recorded at, frames/s").fill("240")
    expect(page.locator("#rate-doubt")).to_contain_text("The clip shows 30 frames a second, not 240")
    page.get_by_label("Slow motion").check()
    expect(page.locator("#rate-doubt")).to_be_hidden()


def atom(name, content):
    return (8 + len(content)).to_bytes(4, "big") + name + content


@ONE_SIZE
def test_the_rate_that_a_camera_wrote_is_proposed(opened):
    """QuickTime File Format, metadata: keys in their order, items numbered by them, a float of 32 bits as type 23."""
    names = [b"com.android.version", b"com.android.capture.fps"]
    listed = b"".join(atom(b"mdta", name) for name in names)
    keys = atom(b"keys", bytes(4) + len(names).to_bytes(4, "big") + listed)
    text = atom(b"data", (1).to_bytes(4, "big") + bytes(4) + b"14")
    rate = atom(b"data", (23).to_bytes(4, "big") + bytes(4) + struct.pack(">f", 240.0))
    items = [atom(number.to_bytes(4, "big"), data) for number, data in ((1, text), (2, rate))]
    written = atom(b"moov", atom(b"meta", keys + atom(b"ilst", b"".join(items))))
    page = opened([33 * index for index in range(12)])
    read = """async (bytes) => {
        const own = document.querySelector("script[src*='video']").src;
        const { captureRate } = await import(own.replace(/video[^/]*$/, "capture-rate.js"));
        return captureRate(new Uint8Array(bytes).buffer);
    }"""  # fmt: skip
    assert page.evaluate(read, list(b"x" * 100 + written + b"y" * 50)) == 240
    assert page.evaluate(read, list(written[:-30])) is None
    assert page.evaluate(read, list(b"no such key")) is None


@ONE_SIZE
def test_a_file_that_is_no_clip_is_said(page, opened, live_server, session):
    opened([33 * index for index in range(12)])
    page.get_by_label("Clip", exact=True).set_input_files(
        {"name": "clip.webm", "mimeType": "video/webm", "buffer": b"not a clip"}
    )
    expect(page.locator("#wrong")).to_contain_text("cannot play that file")


def test_a_venue_without_a_gate_leads_to_one(sign_in, session):
    page = sign_in("recorder").get(f"/sessions/{session.pk}/time-video/").content.decode()
    assert "has no gate yet" in page
