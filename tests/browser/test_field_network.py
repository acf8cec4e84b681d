"""What the field page must survive between the phone and the server, in a real browser against a real server."""

import json
import re

import pytest
from playwright.sync_api import expect

from tests.browser.queued import waiting


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
    phone.tap_both_marks()
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
    expect(phone.page.locator(".queue")).to_contain_text("All 9 records are on the server")
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
    stored = [reading for reading in network.puts("readings") if reading[2] == ""]
    assert len(stored) == 10


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
    kept = [cookie for cookie in phone.context.cookies() if cookie["name"] != "firnlog_session"]
    phone.context.clear_cookies()
    phone.context.add_cookies(kept)
    phone.read(voltage="52").queue(1)
    expect(phone.page.locator("#field")).to_contain_text("You are signed out")
    phone.note("still logging").queue(2)
    phone.sign_in()
    phone.queue(0)
    assert installation.count("test_sessions_reading") == 2


def test_after_signing_out_the_page_shows_nothing_of_the_log_and_loses_nothing(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down" if method in ("PUT", "POST") and path.startswith("/api/") else ""
    phone.read(voltage="52").queue(1)
    machine = installation.rows("buildlog_vehicle", "name")[0][0]
    address = phone.page.url.partition("#")[0]
    phone.page.goto(f"{phone.url}/account/")
    phone.page.once("dialog", lambda asked: asked.accept())  # a record waits, and that is asked about
    phone.page.get_by_role("button", name="Sign out", exact=True).click()
    expect(phone.page).to_have_url(re.compile("/sign-in/"))
    for screen in ("", "#board", "#waiting", "#start", "#logged"):
        phone.page.goto(f"{address}{screen}")
        expect(phone.page.get_by_role("heading", name="Signed out")).to_be_visible()
        field = phone.page.locator("#field")
        expect(field).to_contain_text("1 record waits on this phone")
        for word in (machine, "52"):
            expect(field).not_to_contain_text(word)
    network.fault = lambda method, path: ""
    phone.sign_in()
    phone.queue(0)
    assert installation.count("test_sessions_reading") == 1


def test_nothing_is_sent_under_another_account(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="52")
    # Before the network is back, so that no answer to the one who left brings a cookie into the next sign-in.
    phone.context.clear_cookies()
    network.fault = lambda method, path: ""
    phone.sign_in("mara")
    phone.queue(1)
    expect(phone.page.locator("#queue")).to_contain_text("Somebody else is signed in")
    # Even a page that does not know yet who is signed in cannot slip it through.
    answer = phone.page.evaluate(
        """async () => {
            const csrf = document.cookie.split("firnlog_csrf=")[1].split(";")[0];
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
    expect(phone.page.locator("#queue")).to_contain_text("1 record needs you")
    waiting(phone)
    refused = phone.page.locator("li.refused")
    expect(refused).to_contain_text("already exists")
    expect(phone.page.locator("li.waiting").first).to_contain_text("Waits for what it belongs to")
    refused.get_by_label("name").fill("Test lake, north end")
    refused.get_by_role("button", name="Send the correction").click()
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits")
    assert sorted(installation.rows("test_sessions_venue", "name")) == [("Test lake",), ("Test lake, north end",)]
    assert installation.count("test_sessions_reading") == 1


# A value that this page would not have let through, as an older page might have.
SPOIL_THE_FIRST = """() => new Promise((resolve) => {
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


def test_a_poison_record_does_not_stop_the_others(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50").read(voltage="51")
    phone.page.evaluate(SPOIL_THE_FIRST)
    network.fault = lambda method, path: ""
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    expect(phone.page.locator("#queue")).to_contain_text("1 record needs you")
    installation.comes_to("test_sessions_reading", 1)
    assert installation.rows("test_sessions_reading", "voltage_v") == [(51.0,)]
    waiting(phone)
    expect(phone.page.locator("li.refused")).to_contain_text("at most 1500 V")
    phone.page.get_by_label("voltage v").fill("49.9")
    phone.page.get_by_role("button", name="Send the correction").click()
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits")
    assert sorted(installation.rows("test_sessions_reading", "voltage_v")) == [(49.9,), (51.0,)]


def test_what_is_typed_while_the_page_is_being_redrawn_is_kept(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50")
    phone.page.evaluate(SPOIL_THE_FIRST)
    network.fault = lambda method, path: ""
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    expect(phone.page.locator("#queue")).to_contain_text("1 record needs you")
    waiting(phone)
    expect(phone.page.locator("li.refused")).to_contain_text("at most 1500 V")
    typed, kept = phone.page.evaluate(
        """async () => {
            const input = () => document.querySelector("li.refused input");
            const before = input();
            let typed = 0;
            dispatchEvent(new Event("hashchange"));
            // A letter in each turn of the event loop, until the page is drawn anew.
            while (input() === before && typed < 10_000) {
                before.value = `49.${typed += 1}`;
                await new Promise((next) => {
                    const channel = new MessageChannel();
                    channel.port1.onmessage = next;
                    channel.port2.postMessage(0);
                });
            }
            return [`49.${typed}`, input().value];
        }"""
    )
    assert kept == typed


def test_a_photo_thrown_away_by_mistake_comes_back_whole(phone, network):
    phone.start_session().queue(0)
    content = b"not a picture at all"
    phone.to("Photo")
    phone.page.locator("#gallery").set_input_files({"name": "x.jpg", "mimeType": "image/jpeg", "buffer": content})
    expect(phone.page.locator("#queue")).to_contain_text("1 record needs you")
    waiting(phone)
    phone.page.get_by_role("button", name="Delete it").click()
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits")
    phone.page.get_by_role("button", name="Undo").click()
    expect(phone.page.locator("li.refused")).to_contain_text("not a complete JPEG")
    assert [photo["bytes"] for photo in phone.kept("photos")] == [len(content)]


def test_everything_unsent_goes_into_a_file_and_is_read_in(phones, phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50").note("for the file")
    waiting(phone)
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
        desk.page.get_by_role("button", name="Import").click()
        expect(desk.page.locator("tbody tr")).to_have_count(2)
        expect(desk.page.locator("tbody")).to_contain_text(outcome)
    assert installation.count("test_sessions_reading") == 2
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits")
    assert installation.count("test_sessions_reading") == 2


def test_undo_takes_a_record_back_also_from_the_server(phone, installation):
    phone.start_session().queue(0)
    phone.read(voltage="50").queue(0, 3)
    assert installation.count("test_sessions_reading") == 1
    phone.page.get_by_role("button", name="Undo").click()
    expect(phone.page.locator(".logged")).to_contain_text("0 readings")
    phone.queue(0, 2)
    assert installation.count("test_sessions_reading") == 0


@pytest.mark.parametrize("trigger", ["load", "online", "visible", "save", "button", "timer"])
def test_each_of_these_sends_what_waits(phone, installation, network, trigger):
    # The page's own timers run twenty times as fast; or that which sends every half a minute never comes, so that it
    # cannot stand in for what is tried. Nothing else of the page is changed.
    ms = "(ms ?? 0) / 20" if trigger == "timer" else "ms >= 25_000 ? 2 ** 31 - 1 : ms"
    changed = f"globalThis.setTimeout = (work, ms, ...rest) => real(work, {ms}, ...rest);"
    phone.page.add_init_script(f"{{ const real = setTimeout; {changed} }}")
    phone.open()
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="52").queue(1)
    network.fault = lambda method, path: ""
    if trigger == "load":
        phone.page.reload()
        phone.ready()
    elif trigger in ("online", "visible"):
        script = "dispatchEvent(new Event('online'))" if trigger == "online" else (
            "document.dispatchEvent(new Event('visibilitychange'))")  # fmt: skip
        phone.page.evaluate(f"() => {{ {script}; }}")
    elif trigger == "save":
        phone.note("one more")
    elif trigger == "button":
        waiting(phone)
        phone.page.get_by_role("button", name="Send now").click()
        expect(phone.page.locator("#field")).to_contain_text("Nothing waits")
        phone.page.get_by_role("link", name="Back").click()
    phone.queue(0)
    assert (52.0,) in installation.rows("test_sessions_reading", "voltage_v")
