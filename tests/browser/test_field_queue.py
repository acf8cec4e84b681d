"""What waits on the phone: a bad record, and things removed at the desk."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.queued import at_the_desk, key_of, online, take_photo, time_a_pass, waiting


@pytest.mark.parametrize(
    ("fault", "words"), [("too large", "Refused as too large"), ("server error", "The server failed on it (500)")]
)
def test_a_photo_that_does_not_go_through_holds_nothing_else_up(
    phone, installation, network, fault, words, photograph_phone
):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    take_photo(phone).read(voltage="50").note("after the photo")
    network.fault = lambda method, path: fault if "/photos/" in path and method == "PUT" else ""
    online(phone)
    installation.comes_to("test_sessions_reading", 2)
    phone.queue(1)
    page = waiting(phone)
    bad = page.locator("ol.records > li")
    expect(bad).to_have_count(1)
    expect(bad).to_contain_text(words)
    expect(bad).to_contain_text("MB")
    photograph_phone(phone, fault.replace(" ", "-"))
    with page.expect_download() as download:
        bad.get_by_role("button", name="Save it to a file").click()
    assert b'"kind":"photos"' in download.value.path().read_bytes()
    bad.get_by_role("button", name="Keep it here").click()
    expect(bad).to_contain_text("It is not sent until you say so")
    tried = len(network.puts("photos"))
    page.get_by_role("button", name="Send now").click()
    page.wait_for_timeout(500)
    assert len(network.puts("photos")) == tried
    network.fault = lambda method, path: ""
    bad.get_by_role("button", name="Try again").click()
    expect(page.locator("#field")).to_contain_text("Nothing waits")
    assert installation.count("buildlog_photo") == 1


def test_a_server_error_on_one_reading_leaves_the_next_one_alone(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50").read(voltage="51").read(voltage="52")
    bad = sorted(phone.kept(), key=lambda item: item["seq"])[0]["id"]
    network.fault = lambda method, path: "server error" if bad in path else ""
    online(phone)
    installation.comes_to("test_sessions_reading", 2)
    phone.queue(1)
    [left] = phone.kept()
    assert left["payload"]["voltage_v"] == 50
    # It backs off by itself: a save sends what is new and does not try the bad one again.
    tried = len(network.puts("readings"))
    phone.note("goes on").queue(1)
    installation.comes_to("test_sessions_reading", 3)
    assert len(network.puts("readings")) == tried + 1
    network.fault = lambda method, path: ""
    online(phone)
    phone.queue(0)
    installation.comes_to("test_sessions_reading", 4)


def test_what_breaks_the_connection_each_time_is_passed_over(phone, installation, network):
    """The greeting comes through each time, so it is this record and not the network."""
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50").read(voltage="51")
    bad = sorted(phone.kept(), key=lambda item: item["seq"])[0]["id"]
    network.fault = lambda method, path: "down" if bad in path else ""
    for _ in range(3):
        online(phone)
        phone.page.wait_for_timeout(700)
    installation.comes_to("test_sessions_reading", 1)
    phone.queue(1)
    expect(waiting(phone).locator("li.failing")).to_contain_text("The connection broke off each time it was sent")


def test_a_gateway_error_stops_everything_and_loses_nothing(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50").read(voltage="51")
    network.seen.clear()
    network.fault = lambda method, path: "bad gateway" if method == "PUT" else ""
    online(phone)
    phone.page.wait_for_timeout(1000)
    assert len(network.puts("readings")) == 1
    assert len(phone.kept()) == 2
    network.fault = lambda method, path: ""
    online(phone)
    phone.queue(0)
    installation.comes_to("test_sessions_reading", 2)


# Things removed at the desk.


def test_a_gate_deleted_at_the_desk_is_put_back_from_the_phone(phone, installation, network, photograph_phone):
    gate = key_of(installation, "test_sessions_gate")
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    for _ in range(3):
        time_a_pass(phone)
    network.fault = lambda method, path: ""
    assert at_the_desk(phone, "DELETE", f"gates/{gate}/")[0] == 200
    online(phone)
    expect(phone.page.locator("#queue")).to_contain_text("3 records need you")
    assert installation.count("test_sessions_pass") == 0
    page = waiting(phone)
    offer = page.locator(".missing-parent")
    expect(offer).to_contain_text("The gate Straight was deleted at the desk. 3 passes wait for it.")
    photograph_phone(phone, "gate-deleted")
    page.reload()
    phone.ready()
    offer.get_by_role("button", name="Restore it").click()
    expect(page.locator("#field")).to_contain_text("Nothing waits")
    assert key_of(installation, "test_sessions_gate") == gate
    assert sorted(installation.rows("test_sessions_gatemark", "position_m")) == [(0.0,), (100.0,)]
    assert sorted(installation.rows("test_sessions_pass", "number")) == [(1,), (2,), (3,)]


def test_a_session_deleted_at_the_desk_is_put_back_with_what_it_held(phone, installation, network):
    phone.start_session(venue="North bay").read(voltage="50").queue(0)
    session = key_of(installation, "test_sessions_session")
    network.fault = lambda method, path: "down"
    phone.read(voltage="51").note("waits")
    network.fault = lambda method, path: ""
    assert at_the_desk(phone, "DELETE", f"sessions/{session}/")[0] == 200
    [(venue,)] = [row[:1] for row in installation.rows("test_sessions_venue", "id, name") if row[1] == "North bay"]
    venue = re.sub(r"(.{8})(.{4})(.{4})(.{4})(.{12})", r"\1-\2-\3-\4-\5", str(venue).replace("-", ""))
    assert at_the_desk(phone, "DELETE", f"venues/{venue}/")[0] == 200
    online(phone)
    expect(phone.page.locator("#queue")).to_contain_text("2 records need you")
    page = waiting(phone)
    offer = page.locator(".missing-parent")
    expect(offer).to_contain_text("The session Bench sled R3, North bay,")
    expect(offer).to_contain_text("was deleted at the desk. 2 readings and notes wait for it.")
    assert page.locator("#lost").count() == 0
    offer.get_by_role("button", name="Restore it").click()
    expect(page.locator("#field")).to_contain_text("Nothing waits")
    assert key_of(installation, "test_sessions_session") == session
    assert sorted(installation.rows("test_sessions_venue", "name")) == [("North bay",), ("Test lake",)]
    assert installation.count("test_sessions_reading") == 2
    # What went with the session at the desk does not come back by itself; it is an offer.
    page.reload()
    phone.ready()
    page.locator("#removed summary").click()
    page.get_by_role("button", name="Restore them").click()
    expect(page.locator("#said")).to_contain_text("restored")
    installation.comes_to("test_sessions_reading", 3)
    installation.comes_to("test_sessions_gonogocheck", 1)


def test_going_on_with_ones_own_session_keeps_everything_shown(phone, installation):
    phone.start_session().read(voltage="50")
    time_a_pass(phone).note("still here").queue(0)
    # As after "Next session" in another tab: the phone is between sessions, and the session still goes.
    phone.page.evaluate(
        """() => new Promise((resolve) => {
            const asked = indexedDB.open("firnlog-field");
            asked.onsuccess = () => {
                const change = asked.result.transaction("meta", "readwrite");
                change.objectStore("meta").put({key: "outing", value: null});
                change.objectStore("meta").delete("reference_at");
                change.oncomplete = () => { asked.result.close(); resolve(); };
            };
        })"""
    )
    phone.page.goto(phone.url + "/field/#start")
    phone.page.reload()
    phone.ready()
    phone.page.get_by_role("button", name=re.compile("(Continue|Join) Bench sled R3")).click()
    phone.page.wait_for_selector("nav.board")
    expect(phone.page.locator(".logged")).to_contain_text("1 pass · 2 readings")
    phone.read(voltage="49").queue(0)
    assert installation.count("test_sessions_session") == 1
    assert installation.count("test_sessions_reading") == 3


# An older backup.
