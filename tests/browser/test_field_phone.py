"""What the field page must survive on the phone itself, and between two of them."""

import contextlib
import io
import os
import shutil
import signal
import subprocess
from datetime import UTC, datetime, timedelta

import pytest
from PIL import Image
from playwright.sync_api import expect

from tests.browser.chromium import FLAGS, installed_chromium
from tests.browser.faulty_network import FaultyNetwork
from tests.browser.installation import PROJECT, Installation
from tests.browser.phone import SCREEN, Phone
from tests.browser.waits import wait_until


@pytest.fixture
def on_disk(tmp_path, browser):
    """Browsers that keep a profile on disk, as a phone's does; one and the same each time."""
    opened = []

    def make(**options):
        options = {"executable_path": installed_chromium(), "args": FLAGS, **SCREEN, **options}
        opened.append(browser.browser_type.launch_persistent_context(str(tmp_path / "profile"), **options))
        return opened[-1]

    yield make
    for context in opened:
        with contextlib.suppress(Exception):
            context.close()


def test_the_browser_is_killed_after_saved(installation, network, tmp_path, on_disk):
    """kill -9 of the whole browser, right after the page said saved."""
    profile = tmp_path / "profile"
    context = on_disk()
    phone = Phone(context, network.url).sign_in()
    phone.kept_for_offline().start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50,5")

    def processes():
        listed = subprocess.run(["pgrep", "-f", f"user-data-dir={profile}"], capture_output=True, text=True)
        return [int(number) for number in listed.stdout.split()]

    assert processes()
    for number in processes():
        with contextlib.suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)
    wait_until(lambda: not processes(), "the browser goes on")
    with contextlib.suppress(Exception):
        context.close()
    for lock in profile.glob("Singleton*"):
        lock.unlink()
    phone = Phone(on_disk(), network.url).open()
    phone.queue(1)
    assert [item["payload"]["voltage_v"] for item in phone.kept()] == [50.5]
    network.fault = lambda method, path: ""
    # A browser that had not written its cookies yet has lost the sign-in; the record it has not.
    if not any(cookie["name"] == "firnlog_session" for cookie in phone.context.cookies()):
        phone.sign_in()
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    phone.queue(0)
    assert installation.rows("test_sessions_reading", "voltage_v") == [(50.5,)]


def test_what_was_typed_and_not_saved_is_still_there(phone):
    phone.start_session().to("Reading")
    phone.page.get_by_role("textbox", name="Voltage").press_sequentially("49,")
    # A moment after the last letter; on a busy machine a few of them.
    wait_until(
        lambda: any(draft.get("values", {}).get("voltage_v") == "49," for draft in phone.kept("drafts")),
        "no draft",
    )
    phone.page.reload()
    phone.ready()
    expect(phone.page.get_by_role("textbox", name="Voltage")).to_have_value("49,")


def test_a_full_phone_says_not_saved_and_loses_nothing(installation, on_disk):
    # In a window that keeps nothing on disk, the browser counts what it refused as used for as long as it runs.
    context = on_disk(geolocation={"latitude": 61.05, "longitude": 24.9}, permissions=["geolocation"])
    phone = Phone(context, installation.url)
    devtools = phone.context.new_cdp_session(phone.page)
    # Set before the page's first write, because the browser remembers for a while how much was free.
    devtools.send("Storage.overrideQuotaForOrigin", {"origin": phone.url, "quotaSize": 5_000_000})
    phone.sign_in().start_session().queue(0)
    phone.to("Photo")
    large, small = io.BytesIO(), io.BytesIO()
    for file, size in ((large, (2400, 1800)), (small, (160, 120))):
        Image.frombytes("RGB", size, os.urandom(size[0] * size[1] * 3)).save(file, "JPEG", quality=95)
    choose = phone.page.get_by_label("Choose one")
    refused = phone.page.locator(".wrong[role=alert]")
    choose.set_input_files({"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": large.getvalue()})
    expect(refused).to_contain_text("NOT saved: this phone's storage is full")
    assert phone.kept("photos") == []
    assert phone.kept() == []
    # What still fits is still taken.
    choose.set_input_files({"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": small.getvalue()})
    expect(phone.page.locator("#said")).to_contain_text("MB saved on this phone")
    phone.queue(0, 3)
    # With the track on, the person goes to free some space and comes back: the track has something to say, this stands.
    phone.page.get_by_role("button", name="Track").click()
    expect(phone.page.locator("#track")).to_contain_text("Track runs")
    phone.to("Photo")
    choose.set_input_files({"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": large.getvalue()})
    expect(refused).to_contain_text("NOT saved: this phone's storage is full")
    phone.page.evaluate("""async () => {
        for (const state of ["hidden", "visible"]) {
            Object.defineProperty(document, "visibilityState", {value: state, configurable: true});
            document.dispatchEvent(new Event("visibilitychange"));
            await new Promise((resolve) => setTimeout(resolve, 500));
        }
    }""")
    expect(phone.page.locator("#said")).to_contain_text("The phone stopped the track")
    expect(refused).to_contain_text("NOT saved: this phone's storage is full")
    assert phone.errors == []


def test_a_new_version_waits_for_the_person_and_the_records_survive_it(
    filled_installation, tmp_path, browser, monkeypatch
):
    """The old page sends to the new server; the new page takes over when asked, after the session."""
    old = Installation.copy_of(filled_installation, tmp_path / "data").start()
    newer_code = tmp_path / "newer"
    left_out = shutil.ignore_patterns(".git", ".venv", ".data", "tests")
    shutil.copytree(PROJECT, newer_code, ignore=left_out)
    with (newer_code / "static/field/field.css").open("a") as style:
        style.write("\n/* A later version. */\n")
    network = FaultyNetwork(old.port)
    context = browser.new_context(**SCREEN)
    phone = Phone(context, network.url).sign_in().kept_for_offline()
    first = phone.page.evaluate("() => document.body.dataset.version")
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50")
    old.kill()
    new = Installation(tmp_path / "data", newer_code)
    new.port = old.port
    new.start()
    try:
        network.fault = lambda method, path: ""
        phone.page.reload()
        phone.ready().queue(0)
        phone.page.evaluate(
            "async () => { await (await navigator.serviceWorker.getRegistration('/field/')).update(); }"
        )
        phone.page.wait_for_timeout(2500)
        # Under a running session nothing changes, not even when the page is opened anew.
        phone.page.reload()
        phone.ready()
        assert phone.page.evaluate("() => document.body.dataset.version") == first
        assert phone.page.locator("#newer").count() == 0
        phone.read(voltage="49").queue(0)
        phone.to("End")
        phone.page.get_by_role("button", name="End session").click()
        expect(phone.page.locator("#newer")).to_be_visible()
        network.fault = lambda method, path: "down" if method == "PATCH" else ""
        phone.to("Measure it now")
        phone.page.get_by_role("textbox", name="Rest voltage after").fill("51")
        phone.page.get_by_role("button", name="Save", exact=True).click()
        expect(phone.page.get_by_role("heading", name="Session ended")).to_be_visible()
        phone.page.get_by_role("button", name="Use the new version").click()
        phone.page.wait_for_function("(first) => document.body.dataset.version !== first", arg=first)
        phone.ready()
        assert len(phone.kept()) == 1
        network.fault = lambda method, path: ""
        phone.page.evaluate("() => dispatchEvent(new Event('online'))")
        expect(phone.page.locator(".queue").first).to_contain_text("are on the server")
        assert new.rows("test_sessions_session", "rest_voltage_end_v") == [(51.0,)]
        assert new.count("test_sessions_reading") == 2
    finally:
        context.close()
        network.close()
        new.kill()


def test_two_phones_on_one_session(phones, installation):
    rider, shore = phones().sign_in("ilo"), phones().sign_in("mara")
    rider.start_session().queue(0)
    shore.open()
    shore.page.get_by_role("button", name="Join Bench sled R3").click()
    shore.page.wait_for_selector("nav.board")
    for phone in (rider, shore):
        phone.to("Time a pass")
        phone.tap_both_marks()
        phone.to("Board").queue(0)
    assert installation.count("test_sessions_session") == 1
    assert sorted(installation.rows("test_sessions_pass", "number")) == [(1,), (2,)]
    # Both end it with what they read; the second is shown both versions and chooses.
    for phone, used in ((shore, "6.1"), (rider, "6.4")):
        phone.to("End")
        phone.page.get_by_role("textbox", name="Charge used").fill(used)
        phone.page.get_by_role("button", name="End session").click()
        expect(phone.page.get_by_role("heading", name="Session ended")).to_be_visible()
        installation.comes_to("test_sessions_session where charge_used_ah = 6.1", 1)
    rider.to("See what waits")
    differs = rider.page.locator("li.differs")
    expect(differs).to_contain_text("changed elsewhere")
    assert installation.rows("test_sessions_session", "charge_used_ah") == [(6.1,)]
    expect(differs).to_contain_text("6.4")
    expect(differs).to_contain_text("6.1")
    differs.get_by_role("button", name="Keep all mine").click()
    expect(rider.page.locator("#field")).to_contain_text("Nothing waits")
    assert installation.rows("test_sessions_session", "charge_used_ah") == [(6.4,)]


@pytest.mark.parametrize("hours", [-5, 30])
def test_a_wrong_clock_is_put_right(phones, installation, hours):
    phone = phones()
    phone.page.add_init_script(
        f"""{{ const real = Date; const shift = {hours} * 3600000;
        globalThis.Date = class extends real {{
            constructor(...given) {{ if (given.length) super(...given); else super(real.now() + shift); }}
            static now() {{ return real.now() + shift; }}
        }}; }}"""
    )
    phone.sign_in().start_session().queue(0)
    expect(phone.page.locator("#clock")).to_contain_text("behind" if hours < 0 else "ahead")
    phone.to("Failure").to("belt slipped")
    phone.page.get_by_role("button", name="IV").click()
    phone.to("Board").queue(0)
    [(started, corrected)] = installation.rows("test_sessions_session", "started_at, clock_correction_s")
    away = abs(datetime.fromisoformat(started).replace(tzinfo=UTC) - datetime.now(UTC))
    assert away < timedelta(minutes=1)
    assert corrected == pytest.approx(-3600 * hours, abs=5)
    [(happened,)] = installation.rows("buildlog_failure", "happened_at")
    assert abs(datetime.fromisoformat(happened).replace(tzinfo=UTC) - datetime.now(UTC)) < timedelta(minutes=1)


def test_a_photo_of_twelve_megabytes(phone, installation, network):
    picture = io.BytesIO()
    Image.frombytes("RGB", (3400, 2500), os.urandom(3400 * 2500 * 3)).save(picture, "JPEG", quality=90)
    content = picture.getvalue()
    content += b"\0" * max(0, 12_000_000 - len(content))
    assert 12_000_000 <= len(content) < 15_000_000
    phone.kept_for_offline().start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.to("Photo")
    file = {"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": content}
    phone.page.get_by_label("Choose one").set_input_files(file)
    expect(phone.page.locator("#said")).to_contain_text("saved on this phone")
    phone.page.reload()
    phone.ready().queue(1)
    assert [item["bytes"] for item in phone.kept("photos")] == [len(content)]
    lost = []

    def lose_the_first(method, path):
        if "/photos/" in path and not lost:
            lost.append(path)
            return "lost reply"
        return ""

    network.fault = lose_the_first
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    installation.comes_to("buildlog_photo", 1)
    expect(phone.page.locator("#queue")).to_contain_text("No network")
    assert len(phone.kept("photos")) == 1
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    phone.queue(0)
    assert installation.count("buildlog_photo") == 1
    # Confirmed, it waits no more; the phone keeps it for 30 days, should an older backup be put back.
    assert phone.kept() == []
    assert [item["bytes"] for item in phone.kept("photos")] == [len(content)]


def test_a_no_is_recorded_with_its_reason(phone, installation):
    page = phone.page
    page.get_by_role("button", name="Go/no-go check").click()
    page.get_by_role("button", name="Start").click()
    expect(page.locator("#check-wrong")).to_contain_text("Not answered yet")
    for item in page.locator("fieldset.choices").all():
        item.get_by_text("Yes", exact=True).click()
    page.locator("fieldset", has_text="Helmet on").get_by_text("No", exact=True).click()
    page.get_by_role("button", name="Start").click()
    expect(page.locator("#check-wrong")).to_contain_text("helmet on")
    page.get_by_label("Something is missing", exact=False).fill("Pushed by hand beside the shore")
    page.get_by_role("button", name="Start").click()
    page.wait_for_selector("nav.board")
    phone.queue(0)
    assert installation.rows("test_sessions_gonogocheck", "helmet, reason_to_go_on") == [
        ("no", "Pushed by hand beside the shore")
    ]


def test_a_struck_pass_does_not_count_and_can_be_brought_back(phone, installation):
    phone.start_session().to("Time a pass")
    phone.tap_both_marks()
    phone.page.get_by_role("button", name="Strike it out").click()
    phone.page.get_by_role("button", name="Bring it back").wait_for()
    phone.queue(0)
    assert installation.rows("test_sessions_pass", "valid") == [(0,)]
    phone.page.get_by_role("button", name="Bring it back").click()
    phone.page.get_by_role("button", name="Strike it out").wait_for()
    phone.queue(0)
    assert installation.rows("test_sessions_pass", "valid, invalid_reason") == [(1, "")]


def test_plain_http_says_what_works_and_still_queues(browser, installation):
    """An origin that is not loopback and not HTTPS: no service worker, no locks, no crypto.randomUUID."""
    launched = browser.browser_type.launch(
        executable_path=installed_chromium(), args=[*FLAGS, "--host-resolver-rules=MAP shed.test 127.0.0.1"]
    )
    context = launched.new_context(**SCREEN)
    phone = Phone(context, f"http://shed.test:{installation.port}").sign_in()
    assert phone.page.evaluate("() => [isSecureContext, 'serviceWorker' in navigator]") == [False, False]
    expect(phone.page.locator("#plain")).to_contain_text("No HTTPS")
    phone.page.locator("#plain summary").click()
    expect(phone.page.locator("#plain")).to_contain_text("BUILDLOG_BASE_URL")
    phone.start_session().queue(0)
    context.set_offline(True)
    phone.read(voltage="50").queue(1)
    context.set_offline(False)
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    phone.queue(0)
    assert installation.count("test_sessions_reading") == 1
    launched.close()


def test_a_redraw_from_behind_does_not_touch_what_is_being_typed(phone):
    phone.start_session().to("Reading")
    phone.page.get_by_role("textbox", name="Voltage").fill("51,")
    for event in ("online", "hashchange"):
        phone.page.evaluate(f"() => dispatchEvent(new Event('{event}'))")
    phone.page.wait_for_timeout(500)
    expect(phone.page.get_by_role("textbox", name="Voltage")).to_have_value("51,")
    phone.page.get_by_role("textbox", name="Voltage").fill("51,5")
    phone.page.get_by_role("button", name="Save reading").click()
    expect(phone.page.locator("#said")).to_contain_text("51.5 V. Saved on this phone")
