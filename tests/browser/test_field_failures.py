"""What the field page must survive: each failure of a day at the lake, in a real browser against a real server."""

import contextlib
import io
import json
import os
import shutil
import signal
import subprocess
import time
from datetime import UTC, datetime, timedelta

import pytest
from PIL import Image
from playwright.sync_api import expect

from tests.browser.conftest import FLAGS, installed_chromium
from tests.browser.faulty_network import FaultyNetwork
from tests.browser.installation import PROJECT, Installation
from tests.browser.phone import SCREEN, Phone


@pytest.fixture
def network(installation):
    made = FaultyNetwork(installation.port)
    yield made
    made.close()


@pytest.fixture
def phones(browser, network):
    opened = []

    def make(**options):
        context = browser.new_context(**SCREEN, **options)
        opened.append(context)
        return Phone(context, network.url)

    yield make
    for context in opened:
        context.close()


@pytest.fixture
def phone(phones):
    made = phones().sign_in()
    yield made
    assert made.errors == []


def test_offline_from_start_to_finish(phone, installation):
    phone.kept_for_offline()
    phone.context.set_offline(True)
    # A cold start: the tab is closed and opened again with no network at all.
    phone.page.close()
    phone.page = phone.context.new_page()
    phone.open().start_session(venue="North bay")
    phone.to("Time a pass")
    phone.page.get_by_role("textbox", name="Distance from the first to the last mark").fill("100")
    phone.page.get_by_role("button", name="Save gate").click()
    mark = phone.page.locator("#mark")
    for text in ("Mark 1 of 2", "Mark 2 of 2"):
        expect(mark).to_contain_text(text)
        mark.dispatch_event("pointerdown", {"isPrimary": True, "button": 0})
        time.sleep(0.6)
    expect(phone.page.locator("#speed")).to_contain_text("km/h")
    phone.to("Board").read(voltage="54,2", current="45", charge="4.1", distance="5,2")
    expect(phone.page.locator(".strip")).to_contain_text("Wh")
    phone.to("Failure").to("chain came off")
    phone.page.get_by_role("button", name="III").click()
    phone.to("Board").note("quiet and cold").to("Test card")
    phone.page.get_by_role("button", name="Done: Six passes both ways").click()
    expect(phone.page.locator(".plan li.done")).to_have_count(1)
    phone.to("Board").to("End")
    phone.page.get_by_role("textbox", name="Rest voltage after").fill("52.1")
    phone.page.get_by_role("button", name="End session").click()
    expect(phone.page.get_by_role("heading", name="Session ended")).to_be_visible()
    assert installation.count("test_sessions_session") == 0
    phone.context.set_offline(False)
    expect(phone.page.locator(".queue")).to_contain_text("All 9 records are on the server", timeout=20000)
    assert phone.kept() == []
    assert set(installation.rows("test_sessions_reading", "voltage_v")) == {(None,), (54.2,)}
    assert installation.rows("test_sessions_session", "rest_voltage_end_v, distance_m") == [(52.1, 5200.0)]
    assert installation.rows("test_sessions_testcarditem", "outcome") == [("done",)]
    assert installation.count("test_sessions_gonogocheck") == 1
    assert installation.rows("test_sessions_pass", "number, direction, valid") == [(1, "out", 1)]


def test_a_lost_reply_makes_one_row(phone, installation, network):
    phone.start_session().queue(0)
    lost = []

    def lose_the_first(method, path):
        if method == "PUT" and "/readings/" in path and not lost:
            lost.append(path)
            return "lost reply"
        return ""

    network.fault = lose_the_first
    phone.read(voltage="51")
    installation.comes_to("test_sessions_reading", 1)
    phone.queue(1)
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    phone.queue(0)
    assert len(network.puts("readings")) == 2
    assert installation.rows("test_sessions_reading", "voltage_v") == [(51.0,)]


def test_two_tabs_drain_once(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    for volts in range(40, 50):
        phone.read(voltage=str(volts))
    second = phone.context.new_page()
    network.fault = lambda method, path: ""
    second.goto(phone.url + "/field/")
    second.wait_for_selector("#field[data-ready]")
    for page in (phone.page, second):
        page.evaluate("() => dispatchEvent(new Event('online'))")
    phone.queue(0)
    assert installation.count("test_sessions_reading") == 10
    stored = [one for one in network.puts("readings") if one[2] == ""]
    assert len(stored) == 10


def test_the_browser_is_killed_after_saved(installation, network, tmp_path, browser):
    """kill -9 of the whole browser, right after the page said saved."""
    kind = browser.browser_type
    profile = tmp_path / "profile"
    options = {"executable_path": installed_chromium(), "args": FLAGS, **SCREEN}
    context = kind.launch_persistent_context(str(profile), **options)
    phone = Phone(context, network.url).sign_in()
    phone.kept_for_offline().start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50,5")
    found = subprocess.run(["pgrep", "-f", f"user-data-dir={profile}"], capture_output=True, text=True, check=True)
    for pid in found.stdout.split():
        try:
            os.kill(int(pid), signal.SIGKILL)
        except ProcessLookupError:
            continue
    time.sleep(1)
    with contextlib.suppress(Exception):
        context.close()
    for lock in profile.glob("Singleton*"):
        lock.unlink()
    context = kind.launch_persistent_context(str(profile), **options)
    phone = Phone(context, network.url).open()
    phone.queue(1)
    assert [one["payload"]["voltage_v"] for one in phone.kept()] == [50.5]
    network.fault = lambda method, path: ""
    # The browser had not written its cookies yet, so the sign-in is gone too; the record is not.
    phone.sign_in().queue(0)
    assert installation.rows("test_sessions_reading", "voltage_v") == [(50.5,)]
    context.close()


def test_what_was_typed_and_not_saved_is_still_there(phone):
    phone.start_session().to("Reading")
    phone.page.get_by_role("textbox", name="Voltage").type("49,")
    phone.page.wait_for_timeout(300)
    phone.page.reload()
    phone.ready()
    expect(phone.page.get_by_role("textbox", name="Voltage")).to_have_value("49,")


def test_the_server_is_killed_in_the_middle_of_a_sync(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    for volts in range(40, 48):
        phone.read(voltage=str(volts))
    taken = []

    def kill_at_the_fourth(method, path):
        if method == "PUT" and "/readings/" in path:
            taken.append(path)
            if len(taken) == 4:
                installation.kill()
        return ""

    network.fault = kill_at_the_fourth
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    phone.queue(5, 5)
    installation.start()
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    phone.queue(0, 10)
    assert sorted(installation.rows("test_sessions_reading", "voltage_v")) == [(float(v),) for v in range(40, 48)]


def test_the_sign_in_expired_while_out(phone, installation):
    phone.start_session().queue(0)
    kept = [one for one in phone.context.cookies() if one["name"] != "sessionid"]
    phone.context.clear_cookies()
    phone.context.add_cookies(kept)
    phone.read(voltage="52").queue(1)
    expect(phone.page.locator("#field")).to_contain_text("You are signed out")
    phone.note("still logging").queue(2)
    phone.sign_in()
    phone.queue(0)
    assert installation.count("test_sessions_reading") == 2


def test_nothing_is_sent_under_another_account(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="52")
    network.fault = lambda method, path: ""
    phone.context.clear_cookies()
    phone.sign_in("mara")
    phone.queue(1)
    expect(phone.page.locator("#queue")).to_contain_text("Somebody else is signed in")
    # Even a page that does not know yet who is signed in cannot slip it through.
    answer = phone.page.evaluate(
        """async () => {
            const csrf = document.cookie.split("csrftoken=")[1].split(";")[0];
            const answer = await fetch("/api/v1/venues/00000000-0000-4000-8000-000000000001/", {
                method: "PUT", body: JSON.stringify({name: "slipped"}),
                headers: {"Content-Type": "application/json", "X-CSRFToken": csrf, "X-Firnlog-Account": "1"}});
            return [answer.status, (await answer.json()).code];
        }"""
    )
    assert answer == [403, "other_account"]
    phone.note("by mara").queue(1)
    assert installation.count("test_sessions_reading") == 1
    phone.context.clear_cookies()
    phone.sign_in("ilo")
    phone.queue(0)
    assert installation.count("test_sessions_reading") == 2


@pytest.mark.parametrize("kind", ["portal", "redirect", "bad gateway"])
def test_a_page_of_somebody_elses_is_no_confirmation(phone, installation, network, kind):
    phone.start_session().queue(0)
    network.fault = lambda method, path: kind
    phone.read(voltage="52").queue(1)
    phone.page.wait_for_timeout(500)
    assert len(phone.kept()) == 1
    network.fault = lambda method, path: kind if method == "PUT" else ""
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    phone.page.wait_for_timeout(1000)
    assert len(phone.kept()) == 1
    assert installation.count("test_sessions_reading") == 0
    network.fault = lambda method, path: ""
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    phone.queue(0)
    assert installation.count("test_sessions_reading") == 1


def test_a_refused_record_blocks_nothing_and_can_be_mended(phone, installation, network):
    """A venue whose name is taken is refused; what belongs to it waits, everything else goes on."""
    network.fault = lambda method, path: "down"
    phone.start_session(venue="Test lake").note("waits for its venue")
    network.fault = lambda method, path: ""
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    expect(phone.page.locator("#queue")).to_contain_text("1 record needs you", timeout=15000)
    phone.page.locator("#queue").click()
    refused = phone.page.locator("li.refused")
    expect(refused).to_contain_text("already exists")
    expect(phone.page.locator("li.waiting").first).to_contain_text("Waits for what it belongs to")
    refused.get_by_label("name").fill("Test lake, north end")
    refused.get_by_role("button", name="Send it mended").click()
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits", timeout=15000)
    assert sorted(installation.rows("test_sessions_venue", "name")) == [("Test lake",), ("Test lake, north end",)]
    assert installation.count("test_sessions_reading") == 1


def test_a_poison_record_does_not_stop_the_others(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50").read(voltage="51")
    # A value that this page would not have let through, as an older page might have.
    phone.page.evaluate(
        """() => new Promise((resolve) => {
            const asked = indexedDB.open("firnlog-field");
            asked.onsuccess = () => {
                const change = asked.result.transaction("records", "readwrite");
                const store = change.objectStore("records");
                store.getAll().onsuccess = (event) => {
                    const first = event.target.result.sort((one, other) => one.seq - other.seq)[0];
                    first.payload.voltage_v = 99999;
                    store.put(first);
                };
                change.oncomplete = () => { asked.result.close(); resolve(); };
            };
        })"""
    )
    network.fault = lambda method, path: ""
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    expect(phone.page.locator("#queue")).to_contain_text("1 record needs you", timeout=15000)
    assert installation.rows("test_sessions_reading", "voltage_v") == [(51.0,)]
    phone.page.locator("#queue").click()
    expect(phone.page.locator("li.refused")).to_contain_text("at most 1500 V")
    phone.page.get_by_label("voltage v").fill("49.9")
    phone.page.get_by_role("button", name="Send it mended").click()
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits", timeout=15000)
    assert sorted(installation.rows("test_sessions_reading", "voltage_v")) == [(49.9,), (51.0,)]


def test_a_full_phone_says_not_saved_and_loses_nothing(phones):
    phone = phones()
    devtools = phone.context.new_cdp_session(phone.page)
    # Set before the page's first write, because the browser remembers for a while how much was free.
    devtools.send("Storage.overrideQuotaForOrigin", {"origin": phone.url, "quotaSize": 2_000_000})
    phone.sign_in().start_session().queue(0)
    phone.to("Photo")
    large, small = io.BytesIO(), io.BytesIO()
    for file, size in ((large, (1600, 1200)), (small, (160, 120))):
        Image.frombytes("RGB", size, os.urandom(size[0] * size[1] * 3)).save(file, "JPEG", quality=95)
    choose = phone.page.get_by_label("Choose one")
    choose.set_input_files({"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": large.getvalue()})
    expect(phone.page.locator(".wrong[role=alert]")).to_contain_text("NOT saved: this phone's storage is full")
    assert phone.kept("photos") == []
    assert phone.kept() == []
    # What still fits is still taken.
    choose.set_input_files({"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": small.getvalue()})
    expect(phone.page.locator("#said")).to_contain_text("saved on this phone")
    phone.queue(0, 3)


def test_a_new_version_waits_for_the_person_and_the_records_survive_it(
    filled_installation, tmp_path, browser, monkeypatch
):
    """The old page sends to the new server; the new page takes over when asked, after the session."""
    shutil.copytree(filled_installation, tmp_path / "data")
    old = Installation(tmp_path / "data").start()
    newer_code = tmp_path / "newer"
    left_out = shutil.ignore_patterns(".git", ".venv", ".data", "__pycache__", "tests")
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
        network.fault = lambda method, path: "down" if method == "PUT" else ""
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
        expect(phone.page.locator(".queue").first).to_contain_text("are on the server", timeout=15000)
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
        mark = phone.page.locator("#mark")
        for text in ("Mark 1 of 2", "Mark 2 of 2"):
            expect(mark).to_contain_text(text)
            mark.dispatch_event("pointerdown", {"isPrimary": True, "button": 0})
            phone.page.wait_for_timeout(500)
        phone.to("Board").queue(0)
    assert installation.count("test_sessions_session") == 1
    assert sorted(installation.rows("test_sessions_pass", "number")) == [(1,), (2,)]
    # Both end it with what they read; the second is shown both versions and chooses.
    for phone, used in ((shore, "6.1"), (rider, "6.4")):
        phone.to("End")
        phone.page.get_by_role("textbox", name="Charge used").fill(used)
        phone.page.get_by_role("button", name="End session").click()
        expect(phone.page.get_by_role("heading", name="Session ended")).to_be_visible()
        phone.page.wait_for_timeout(1000)
    assert installation.rows("test_sessions_session", "charge_used_ah") == [(6.1,)]
    rider.to("See what waits")
    differs = rider.page.locator("li.differs")
    expect(differs).to_contain_text("changed elsewhere")
    expect(differs).to_contain_text("6.4")
    expect(differs).to_contain_text("6.1")
    differs.get_by_role("button", name="Keep mine").click()
    expect(rider.page.locator("#field")).to_contain_text("Nothing waits", timeout=15000)
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
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.to("Photo")
    file = {"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": content}
    phone.page.get_by_label("Choose one").set_input_files(file)
    expect(phone.page.locator("#said")).to_contain_text("saved on this phone")
    phone.page.reload()
    phone.ready().queue(1)
    assert [one["bytes"] for one in phone.kept("photos")] == [len(content)]
    lost = []

    def lose_the_first(method, path):
        if "/photos/" in path and not lost:
            lost.append(path)
            return "lost reply"
        return ""

    network.fault = lose_the_first
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    installation.comes_to("buildlog_photo", 1)
    expect(phone.page.locator("#queue")).to_contain_text("No network", timeout=15000)
    assert len(phone.kept("photos")) == 1
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    phone.queue(0)
    assert installation.count("buildlog_photo") == 1
    assert phone.kept("photos") == []


def test_everything_unsent_goes_into_a_file_and_is_read_in(phones, phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50").note("for the file")
    phone.page.locator("#queue").click()
    with phone.page.expect_download() as download:
        phone.page.get_by_role("button", name="Save to a file").click()
    content = download.value.path().read_bytes()
    assert json.loads(content)["firnlog"] == "unsent"
    network.fault = lambda method, path: ""
    desk = phones().sign_in("mara")
    for outcome in ("stored", "was there"):
        desk.page.goto(desk.url + "/field/read-in/")
        desk.page.get_by_label("File from the phone").set_input_files(
            {"name": "unsent.json", "mimeType": "application/json", "buffer": content}
        )
        desk.page.get_by_role("button", name="Read it in").click()
        expect(desk.page.locator("tbody tr")).to_have_count(2)
        expect(desk.page.locator("tbody")).to_contain_text(outcome)
    assert installation.count("test_sessions_reading") == 2
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits", timeout=15000)
    assert installation.count("test_sessions_reading") == 2


def test_undo_takes_a_record_back_also_from_the_server(phone, installation):
    phone.start_session().queue(0)
    phone.read(voltage="50").queue(0, 3)
    assert installation.count("test_sessions_reading") == 1
    phone.page.get_by_role("button", name="Undo").click()
    expect(phone.page.locator(".logged")).to_contain_text("0 readings")
    phone.queue(0, 2)
    assert installation.count("test_sessions_reading") == 0


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
    mark = phone.page.locator("#mark")
    for text in ("Mark 1 of 2", "Mark 2 of 2"):
        expect(mark).to_contain_text(text)
        mark.dispatch_event("pointerdown", {"isPrimary": True, "button": 0})
        phone.page.wait_for_timeout(500)
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
