"""What waits on the phone: a bad record, things removed at the desk, an older backup, two versions of a record."""

import contextlib
import io
import os
import re
import shutil
import sqlite3

import pytest
from PIL import Image
from playwright.sync_api import expect

from tests.browser.faulty_network import FaultyNetwork
from tests.browser.installation import Installation
from tests.browser.phone import SCREEN, Phone


def online(phone):
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")


def time_a_pass(phone):
    phone.to("Time a pass")
    mark = phone.page.locator("#mark")
    for text in ("Mark 1 of 2", "Mark 2 of 2"):
        expect(mark).to_contain_text(text)
        mark.dispatch_event("pointerdown", {"isPrimary": True, "button": 0})
        phone.page.wait_for_timeout(500)
    phone.page.wait_for_selector("#speed")
    return phone.to("Board")


def take_photo(phone, size=400):
    picture = io.BytesIO()
    Image.frombytes("RGB", (size, size), os.urandom(size * size * 3)).save(picture, "JPEG", quality=90)
    phone.to("Photo")
    file = {"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": picture.getvalue()}
    phone.page.get_by_label("Choose one").set_input_files(file)
    expect(phone.page.locator("#said")).to_contain_text("saved on this phone")
    phone.page.wait_for_selector("nav.board")
    return phone


def at_the_desk(phone, method, path, **content):
    """As somebody does at the desk: through the API, with the sign-in of another browser."""
    return phone.page.evaluate(
        """async ([method, path, content]) => {
            const csrf = document.cookie.split("firnlog_csrf=")[1].split(";")[0];
            const there = await fetch(`/api/v1/${path}`, {cache: "no-store"});
            const version = there.ok ? (await there.json()).version : "";
            const answer = await fetch(`/api/v1/${path}`, {method, headers: {"Content-Type": "application/json",
                "X-CSRFToken": csrf}, body: method === "DELETE" ? undefined : JSON.stringify({...content, version})});
            return [answer.status, await answer.text()];
        }""",
        [method, path, content],
    )


def key_of(installation, table):
    [(key,)] = installation.rows(table, "id")
    return str(key) if "-" in str(key) else re.sub(r"(.{8})(.{4})(.{4})(.{4})(.{12})", r"\1-\2-\3-\4-\5", str(key))


def copy_database(source, target):
    with (
        contextlib.closing(sqlite3.connect(source)) as whence,
        contextlib.closing(sqlite3.connect(target)) as whither,
    ):
        whence.backup(whither)


def waiting(phone):
    if not phone.page.url.endswith("#waiting"):
        phone.page.locator("#queue").click()
    expect(phone.page.get_by_role("heading", name="Waiting")).to_be_visible()
    return phone.page


# One bad record.


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
    expect(page.locator("#field")).to_contain_text("Nothing waits", timeout=15000)
    assert installation.count("buildlog_photo") == 1


def test_a_server_error_on_one_reading_leaves_the_next_one_alone(phone, installation, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="50").read(voltage="51").read(voltage="52")
    bad = sorted(phone.kept(), key=lambda one: one["seq"])[0]["id"]
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
    bad = sorted(phone.kept(), key=lambda one: one["seq"])[0]["id"]
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
    expect(phone.page.locator("#queue")).to_contain_text("3 records need you", timeout=15000)
    assert installation.count("test_sessions_pass") == 0
    page = waiting(phone)
    offer = page.locator(".missing-parent")
    expect(offer).to_contain_text("The gate Straight was deleted at the desk. 3 passes wait for it.")
    photograph_phone(phone, "gate-deleted")
    page.reload()
    phone.ready()
    offer.get_by_role("button", name="Restore it").click()
    expect(page.locator("#field")).to_contain_text("Nothing waits", timeout=15000)
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
    expect(phone.page.locator("#queue")).to_contain_text("2 records need you", timeout=15000)
    page = waiting(phone)
    offer = page.locator(".missing-parent")
    expect(offer).to_contain_text("The session Bench sled R3, North bay,")
    expect(offer).to_contain_text("was deleted at the desk. 2 readings and notes wait for it.")
    assert page.locator("#lost").count() == 0
    offer.get_by_role("button", name="Restore it").click()
    expect(page.locator("#field")).to_contain_text("Nothing waits", timeout=15000)
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


@pytest.fixture
def own_place(filled_installation, tmp_path):
    made = Installation.copy_of(filled_installation, tmp_path / "data").start()
    yield made
    made.kill()


@pytest.mark.parametrize("way", ["restore", "by hand"])
def test_after_an_older_backup_was_put_back_the_phone_offers_what_it_has(
    own_place, browser, tmp_path, way, photograph_phone
):
    network = FaultyNetwork(own_place.port)
    context = browser.new_context(**SCREEN)
    phone = Phone(context, network.url).sign_in()
    phone.start_session().queue(0)
    if way == "restore":
        told = own_place.run("backup", "--to", str(tmp_path / "backup.zip"))
        assert told.returncode == 0, told.stdout
    else:
        copy_database(own_place.folder / "buildlog.sqlite3", tmp_path / "copy.sqlite3")
    phone.read(voltage="50")
    time_a_pass(phone)
    take_photo(phone).note("all confirmed").queue(0)
    own_place.kill()
    if way == "restore":
        told = own_place.run("restore", str(tmp_path / "backup.zip"))
        assert told.returncode == 0, told.stdout
    else:
        for name in ("buildlog.sqlite3-wal", "buildlog.sqlite3-shm"):
            (own_place.folder / name).unlink(missing_ok=True)
        shutil.copy(tmp_path / "copy.sqlite3", own_place.folder / "buildlog.sqlite3")
    own_place.start()
    try:
        phone.page.reload()
        phone.ready()
        lost = phone.page.locator("#lost")
        expect(lost).to_contain_text(
            "The server has lost 4 records that it had confirmed; it may have been restored", timeout=15000
        )
        expect(phone.page.locator("#queue")).to_contain_text("on the server 2.")
        photograph_phone(phone, f"went-back-{way.replace(' ', '-')}")
        assert own_place.count("test_sessions_reading") == 0
        lost.get_by_role("button", name="Send again").click()
        phone.queue(0, 6)
        expect(lost).to_have_count(0)
        assert sorted(own_place.rows("test_sessions_reading", "voltage_v, note"), key=str) == [
            (50.0, ""), (None, "all confirmed"),
        ]  # fmt: skip
        assert [own_place.count(f"test_sessions_{one}") for one in ("session", "pass", "gonogocheck")] == [1, 1, 1]
        assert own_place.count("buildlog_photo") == 1
        phone.page.reload()
        phone.ready().queue(0, 6)
        expect(lost).to_have_count(0)
        assert own_place.count("test_sessions_reading") == 2
        assert phone.errors == []
    finally:
        context.close()
        network.close()


def test_the_end_of_a_session_that_a_backup_does_not_have_is_offered_too(phone, installation, tmp_path):
    phone.start_session().queue(0)
    copy_database(installation.folder / "buildlog.sqlite3", tmp_path / "copy.sqlite3")
    end(phone.page, charge="8.4")
    expect(phone.page.locator(".queue").first).to_contain_text("are on the server", timeout=15000)
    copy_database(tmp_path / "copy.sqlite3", installation.folder / "buildlog.sqlite3")
    assert installation.rows("test_sessions_session", "charge_used_ah") == [(None,)]
    phone.page.reload()
    phone.ready()
    expect(phone.page.locator("#lost")).to_contain_text("1 record is back at an earlier version")
    phone.page.get_by_role("button", name="Send again").click()
    expect(phone.page.locator("#lost")).to_have_count(0)
    for _ in range(100):
        if installation.rows("test_sessions_session", "charge_used_ah") == [(8.4,)]:
            break
        phone.page.wait_for_timeout(100)
    assert installation.rows("test_sessions_session", "charge_used_ah") == [(8.4,)]


def test_what_was_deleted_at_the_desk_does_not_come_back_by_itself(phone, installation, photograph_phone):
    phone.start_session().read(voltage="50").note("stays").queue(0)
    [reading] = [one for one in phone.kept("acknowledged") if one["stored"].get("voltage_v") == 50]
    assert at_the_desk(phone, "DELETE", f"readings/{reading['id']}/")[0] == 200
    phone.page.reload()
    phone.ready().queue(0, 3)
    assert phone.page.locator("#lost").count() == 0
    page = waiting(phone)
    expect(page.locator("#removed")).to_contain_text("1 confirmed record is not on the server: deleted at the desk")
    assert installation.count("test_sessions_reading") == 1
    page.locator("#removed summary").click()
    photograph_phone(phone, "deleted-at-the-desk")
    page.get_by_role("button", name="Restore it").click()
    installation.comes_to("test_sessions_reading", 2)


def test_confirmed_pictures_make_room(phone, installation):
    """With little room only the newest confirmed pictures stay; the page says so."""
    phone.page.add_init_script("navigator.storage.estimate = async () => ({quota: 5_000_000, usage: 0});")
    phone.open().start_session()
    for _ in range(4):
        take_photo(phone, 700)
    phone.queue(0, 6)
    kept = phone.kept("photos")
    assert 0 < len(kept) < 4
    assert sum(one["bytes"] for one in kept) <= 1_000_000
    expect(waiting(phone).locator("#kept")).to_contain_text(f"4 photos among them: {len(kept)} with the picture")
    assert installation.count("buildlog_photo") == 4


# Two versions of one record.


def end(page, **values):
    labels = {"rest": "Rest voltage after", "charge": "Charge used", "distance": "Distance ridden"}
    if not page.url.split("/")[-1].startswith("#end"):
        page.get_by_role("link", name="End", exact=True).click()
    for name, value in values.items():
        page.get_by_role("textbox", name=labels[name]).fill(value)
    page.locator("button.first", has_text=re.compile("End session|Save")).click()


@pytest.fixture
def two_tabs(phone):
    phone.start_session().queue(0)
    second = phone.context.new_page()
    for page in (second, phone.page):
        page.goto(phone.url + "/field/")
        page.wait_for_selector("#field[data-ready]")
        page.wait_for_selector("nav.board")
        page.get_by_role("link", name="End", exact=True).click()
        expect(page.get_by_role("heading", name="End")).to_be_visible()
    return phone.page, second


def stored(installation, *columns):
    return installation.rows("test_sessions_session", ", ".join(columns))[0]


def test_two_tabs_of_one_phone_lose_nothing(phone, two_tabs, installation):
    first, second = two_tabs
    end(first, rest="52.1")
    expect(first.get_by_role("heading", name="Session ended")).to_be_visible()
    end(second, charge="8.4")
    expect(second.get_by_role("heading", name="Session ended")).to_be_visible()
    for _ in range(100):
        if stored(installation, "rest_voltage_end_v", "charge_used_ah") == (52.1, 8.4):
            break
        first.wait_for_timeout(100)
    assert stored(installation, "rest_voltage_end_v", "charge_used_ah") == (52.1, 8.4)


def test_two_tabs_with_two_values_ask_the_person(phone, two_tabs, installation, photograph_phone):
    first, second = two_tabs
    end(first, rest="52.1", charge="8")
    expect(first.get_by_role("heading", name="Session ended")).to_be_visible()
    end(second, rest="51.8", distance="5,2")
    place = second.locator("#end-differs")
    expect(place).to_contain_text("Saved in another tab since this one was opened: rest voltage after.")
    expect(place).to_contain_text("Saved there: 52.1 V")
    expect(place).to_contain_text("Yours: 51.8 V")
    photograph_phone(phone, "two-tabs", second)
    expect(second.get_by_role("textbox", name="Rest voltage after")).to_have_value("51.8")
    assert stored(installation, "rest_voltage_end_v", "distance_m") == (52.1, None)
    place.get_by_text("Yours: 51.8 V").click()
    end(second)
    expect(second.get_by_role("heading", name="Session ended")).to_be_visible()
    for _ in range(100):
        if stored(installation, "rest_voltage_end_v", "distance_m") == (51.8, 5200.0):
            break
        first.wait_for_timeout(100)
    assert stored(installation, "rest_voltage_end_v", "charge_used_ah", "distance_m") == (51.8, 8.0, 5200.0)


def test_what_the_desk_and_the_phone_changed_apart_comes_together(phone, installation, network):
    phone.start_session().queue(0)
    session = key_of(installation, "test_sessions_session")
    assert at_the_desk(phone, "PATCH", f"sessions/{session}/", air_temperature_c=-11, notes="From the desk")[0] == 200
    network.seen.clear()
    end(phone.page, rest="52.1")
    expect(phone.page.locator("p.queue")).to_contain_text("All 2 records are on the server", timeout=15000)
    assert stored(installation, "rest_voltage_end_v", "air_temperature_c", "notes") == (52.1, -11.0, "From the desk")
    # Only what changed went out, with the version it began from.
    assert [method for method, path, _ in network.seen if "/sessions/" in path] == ["PATCH", "PATCH"]


def test_what_both_changed_is_shown_and_chosen(phone, installation, photograph_phone):
    phone.start_session().queue(0)
    session = key_of(installation, "test_sessions_session")
    answer = at_the_desk(
        phone, "PATCH", f"sessions/{session}/", charge_used_ah=9.1, notes="From the desk", air_temperature_c=-11
    )
    assert answer[0] == 200
    phone.to("End")
    phone.page.get_by_label("Notes").fill("From the lake")
    end(phone.page, rest="52.1", charge="8.4")
    phone.to("See what waits")
    differs = phone.page.locator("li.differs")
    expect(differs.get_by_role("group", name="Charge used")).to_contain_text("On the server: 9.1 Ah")
    expect(differs.get_by_role("group", name="Charge used")).to_contain_text("Yours: 8.4 Ah")
    expect(differs.get_by_role("group", name="Notes")).to_contain_text("From the lake")
    photograph_phone(phone, "differs")
    differs.get_by_text("Yours: 8.4 Ah").click()
    differs.get_by_role("button", name="Send what is chosen").click()
    expect(differs).to_contain_text("Not chosen yet: Notes")
    differs.get_by_text("On the server: From the desk").click()
    differs.get_by_role("button", name="Send what is chosen").click()
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits", timeout=15000)
    assert stored(installation, "charge_used_ah", "notes", "rest_voltage_end_v", "air_temperature_c") == (
        8.4, "From the desk", 52.1, -11.0,
    )  # fmt: skip


def test_a_session_that_was_deleted_while_its_end_was_typed_comes_back_when_asked(phone, installation):
    phone.start_session().queue(0)
    session = key_of(installation, "test_sessions_session")
    assert at_the_desk(phone, "DELETE", f"sessions/{session}/")[0] == 200
    end(phone.page, rest="52.1")
    phone.to("See what waits")
    expect(phone.page.locator("li.gone")).to_contain_text("not on the server any more")
    assert installation.count("test_sessions_session") == 0
    phone.page.get_by_role("button", name="Restore it").click()
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits", timeout=15000)
    assert key_of(installation, "test_sessions_session") == session
    assert stored(installation, "rest_voltage_end_v") == (52.1,)


def test_a_phone_from_before_this_version_changes_and_loses_nothing(phone, installation):
    """It holds keys and versions of what was confirmed, and nothing of the content."""
    phone.start_session().read(voltage="50").queue(0)
    phone.page.evaluate(
        """() => new Promise((resolve) => {
            const asked = indexedDB.open("firnlog-field");
            asked.onsuccess = () => {
                const change = asked.result.transaction(["acknowledged", "meta"], "readwrite");
                change.objectStore("meta").delete("newest");
                const store = change.objectStore("acknowledged");
                store.getAll().onsuccess = (event) => {
                    for (const {id, kind, session, words, account, version} of event.target.result) {
                        store.put({id, kind, session, words, account, version});
                    }
                };
                change.oncomplete = () => { asked.result.close(); resolve(); };
            };
        })"""
    )
    phone.page.reload()
    phone.ready().queue(0, 3)
    end(phone.page, rest="52.1")
    expect(phone.page.locator("p.queue")).to_contain_text("All 3 records are on the server", timeout=15000)
    assert stored(installation, "rest_voltage_end_v") == (52.1,)
    assert phone.page.locator("#lost").count() == 0


MERGES = [
    # mine, what it began from, stored now: (mine goes in, a person chooses)
    ({"a": 1}, {"a": None}, {"a": None, "b": 2}, (["a"], [])),
    ({"a": 1}, {"a": None}, {"a": 2}, ([], ["a"])),
    ({"a": 1}, {"a": None}, {"a": 1}, ([], [])),
    ({"a": None}, {"a": 1}, {"a": 2}, ([], ["a"])),
    ({"a": ""}, {"a": 1}, {"a": None}, ([], [])),
    ({"a": 0}, {"a": None}, {"a": None}, (["a"], [])),
    ({"a": "2026-01-17T15:00:00Z"}, {"a": ""}, {"a": "2026-01-17T15:00:00.000Z"}, ([], [])),
    ({"a": 1}, None, {"a": 2}, ([], ["a"])),
    ({"a": 5}, {"a": 5}, {"a": 6}, ([], [])),
]


@pytest.mark.parametrize(("mine", "began", "now", "expected"), MERGES)
def test_two_changes_come_together_field_by_field(script, mine, began, now, expected):
    told = script(
        """async (told) => {
            const { threeWay } = await import("http://modules.test/merge.js");
            return threeWay(told);
        }""",
        {"mine": mine, "began": began, "stored": now, "names": list(mine)},
    )
    assert (told["mine"], told["overlap"]) == expected
