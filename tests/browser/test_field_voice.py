"""Voice notes: recorded, kept on the phone, sent, played."""

import uuid

import pytest
from playwright.sync_api import expect

from tests.browser.phone import SCREEN, Phone

# A microphone that hears a tone: the browser's own recorder makes the file.
MICROPHONE = """navigator.mediaDevices.getUserMedia = async () => {
    const audio = new AudioContext();
    await audio.resume();
    const [voice, out] = [audio.createOscillator(), audio.createMediaStreamDestination()];
    voice.connect(out);
    voice.start();
    return out.stream;
};"""


@pytest.fixture
def phone(browser, network, installation):
    context = browser.new_context(**SCREEN)
    context.add_init_script(MICROPHONE)
    made = Phone(context, network.url).signed_in(installation)
    yield made
    context.close()
    assert made.errors == []


def record(phone, ms=4000):
    phone.page.evaluate("() => { location.hash = 'voice'; }")
    phone.page.locator("#record").click()
    expect(phone.page.locator("#recorded")).to_contain_text("s of 180")
    phone.page.wait_for_timeout(ms)


def test_a_voice_note_is_kept_without_a_network_sent_later_and_played(phone, network, installation, photograph_phone):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down" if "/api/" in path else ""
    record(phone)
    photograph_phone(phone, "voice")
    phone.page.locator("#stop").click()
    expect(phone.page.locator("#said")).to_contain_text("s saved on this phone")
    phone.page.wait_for_selector("nav.board")
    [waiting] = phone.kept("photos")
    assert waiting["bytes"] > 1000
    network.fault = lambda method, path: ""
    phone.page.evaluate("() => { dispatchEvent(new Event('online')); }")
    installation.comes_to("test_sessions_voicenote", 1)
    [(key, seconds, kind)] = installation.rows("test_sessions_voicenote", "session_id, duration_s, kind")
    assert 2.5 < seconds < 10
    assert kind == "webm"
    phone.page.goto(f"{phone.url}/sessions/{uuid.UUID(key)}/")
    length_s = phone.page.locator("audio").evaluate(
        """(audio) => new Promise((resolve, reject) => {
            audio.onerror = () => reject(new Error(audio.error.message));
            audio.ontimeupdate = () => { if (audio.currentTime > 0.5) resolve(audio.currentTime); };
            audio.muted = true;
            audio.play().catch(reject);
        })"""
    )
    assert length_s > 0.5
    photograph_phone(phone, "voice-in-the-session")


def test_leaving_the_screen_keeps_what_was_recorded(phone, installation):
    phone.start_session().queue(0)
    record(phone)
    phone.page.evaluate("() => { location.hash = 'reading'; }")
    installation.comes_to("test_sessions_voicenote", 1)
    assert phone.page.evaluate("() => location.hash") == "#reading"


def test_a_page_that_dies_keeps_what_was_recorded(phone, installation):
    phone.start_session().queue(0)
    record(phone, 4500)
    phone.page.reload()
    phone.page.wait_for_selector("#field[data-ready]")
    phone.page.evaluate("() => { location.hash = 'voice'; }")
    expect(phone.page.locator("#cut-off")).to_contain_text("was cut off when the page closed")
    phone.page.get_by_role("button", name="Save it").click()
    installation.comes_to("test_sessions_voicenote", 1)


def test_a_refused_microphone_is_said(phone):
    phone.start_session().queue(0)
    phone.page.evaluate(
        """() => { navigator.mediaDevices.getUserMedia = async () => {
            throw new DOMException("", "NotAllowedError"); }; }"""
    )
    phone.page.evaluate("() => { location.hash = 'voice'; }")
    phone.page.locator("#record").click()
    expect(phone.page.get_by_text("does not allow this page to use the microphone")).to_be_visible()


def test_a_voice_note_gets_a_caption_and_is_deleted(phone, installation):
    phone.start_session().queue(0)
    record(phone)
    phone.page.locator("#stop").click()
    installation.comes_to("test_sessions_voicenote", 1)
    phone.page.evaluate("() => { location.hash = 'logged'; }")
    phone.page.get_by_role("link", name="Edit: Voice note").click()
    phone.page.get_by_label("What it says").fill("chain is loud")
    phone.page.get_by_role("button", name="Save").click()
    installation.comes_to("test_sessions_voicenote where caption = 'chain is loud'", 1)
    phone.page.get_by_role("button", name="Delete: Voice note").click()
    installation.comes_to("test_sessions_voicenote", 0)
