"""Sending what waits: many records at once, pauses the server asks for, answers cut off, cleared storage."""

import itertools
import json
import re
import statistics
import time

import pytest
from playwright.sync_api import expect

from tests.browser.queued import online

FEW, MANY = 100, 3000

# Readings as the page itself queues them and lists them in the session, in one transaction.
LOG_READINGS = """async (number) => {
    const { keep } = await module("queue");
    const { current } = await module("outing");
    const { newKey } = await module("elements");
    const session = (await current()).id;
    const rows = Array.from({ length: number }, (_, index) => ({
        id: newKey(), session, time_into_session_s: index, voltage_v: 50 + (index % 10) / 10, note: "", sequence: index,
    }));
    await keep(rows.map(({ id, ...payload }, index) => ({
        id, kind: "readings", session, needs: [session], words: `Reading ${index}`, payload,
    })), { outing: [session, (page) => page.readings.push(...rows)] });
}"""


def log_readings(phone, number):
    phone.page.evaluate(LOG_READINGS, number)


def waits(phone):
    return phone.page.evaluate(
        """() => new Promise((resolve) => { const asked = indexedDB.open("firnlog-field"); asked.onsuccess = () => {
            const count = asked.result.transaction("records").objectStore("records").count();
            count.onsuccess = () => { asked.result.close(); resolve(count.result); }; }; })"""
    )


def sent_within(phone, limit_s, sizes, number):
    """Seconds until so many records came. The phone is not asked meanwhile: counting its queue takes time there too."""
    began = time.perf_counter()
    while sum(sizes) < number:
        assert time.perf_counter() - began < limit_s, f"{number - sum(sizes)} still wait"
        phone.page.wait_for_timeout(20)
    took_s = time.perf_counter() - began
    phone.page.wait_for_timeout(2000)
    assert waits(phone) == 0
    return took_s


def stub_server(phone):
    """A server that confirms each batch at once, so that only the phone's own work is measured."""
    sizes, at_s = [], []

    def answer(route):
        records = json.loads(route.request.post_data)["records"]
        sizes.append(len(records))
        at_s.append(time.perf_counter())
        answers = [
            {"id": record["id"], "status": 201, "body": {**(record["body"] or {}), "id": record["id"], "version": "v"}}
            for record in records
        ]
        route.fulfill(json={"answers": answers})

    phone.page.route("**/api/v1/field/records/", answer)
    return sizes, at_s


def test_three_thousand_records_go_in_batches_of_fifty(phone, network, capsys):
    """Prints how fast they go beside a hundred (`pytest -s`): a busy machine says nothing about either."""
    phone.start_session().queue(0)
    sizes, at_s = stub_server(phone)
    rates = {}
    for number in (FEW, MANY):
        network.fault = lambda method, path: "down"
        log_readings(phone, number)
        assert waits(phone) == number
        network.fault = lambda method, path: ""
        online(phone)
        rates[number] = number / sent_within(phone, 240, sizes, sum(sizes) + number)
    steps_s = [later - earlier for earlier, later in itertools.pairwise(at_s[FEW // 50 :])]
    tenth = len(steps_s) // 10
    first_s, last_s = (statistics.median(part) for part in (steps_s[:tenth], steps_s[-tenth:]))
    with capsys.disabled():
        print(f"\na batch takes {first_s:.2f} s at first and {last_s:.2f} s at last", end="")
        print(
            f"\nrecords a second: {rates[FEW]:.0f} of {FEW}, {rates[MANY]:.0f} of {MANY} waiting, "
            f"in {len(sizes)} requests"
        )
    assert len(sizes) == FEW / 50 + MANY / 50
    # A batch once took seven times as long where thousands waited.
    assert last_s < 2.5 * first_s


def test_a_batch_reaches_the_server_and_one_bad_record_holds_up_no_other(phone, network, installation):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    log_readings(phone, 30)
    spoilt = """async () => {
        const { keep } = await module("queue");
        const { current } = await module("outing");
        const session = (await current()).id;
        await keep([{ id: "10000000-0000-4000-8000-0000000000aa", kind: "readings", session, needs: [session],
            words: "Spoilt", payload: { session, time_into_session_s: 1, voltage_v: 99999, note: "", sequence: 1 } }]);
    }"""
    phone.page.evaluate(spoilt)
    network.seen.clear()
    network.fault = lambda method, path: ""
    online(phone)
    installation.comes_to("test_sessions_reading", 30)
    expect(phone.page.locator("#queue")).to_contain_text("1 record needs you")
    assert len([item for item in network.seen if "/field/records/" in item[1]]) == 1
    assert not [item for item in network.seen if item[0] == "PUT"]


def test_a_batch_that_does_not_go_through_is_sent_one_by_one(phone, network, installation):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    log_readings(phone, 20)
    network.fault = lambda method, path: "server error" if "/field/records/" in path else ""
    online(phone)
    installation.comes_to("test_sessions_reading", 20)


def test_a_lost_answer_to_a_batch_stores_nothing_twice(phone, network, installation):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    log_readings(phone, 20)
    network.fault = lambda method, path: "lost reply" if "/field/records/" in path else ""
    online(phone)
    phone.queue(0, 22)
    assert installation.count("test_sessions_reading") == 20


def test_a_pause_that_the_server_asks_for_is_kept(phone, network):
    phone.start_session().queue(0)
    phone.page.route("**/api/v1/readings/*/", lambda route: route.fulfill(
        status=429, headers={"Retry-After": "1200"}, json={"detail": "Too many requests."}))  # fmt: skip
    phone.read(voltage="54")
    phone.page.evaluate("() => { location.hash = 'waiting'; }")
    expect(phone.page.locator("#trouble")).to_contain_text(re.compile(r"asks for a pause.*waits until \d\d:\d\d"))
    network.seen.clear()
    phone.page.evaluate("() => { location.hash = 'board'; }")
    phone.note("one more")
    phone.page.wait_for_timeout(1500)
    assert network.seen == []
    phone.page.unroute("**/api/v1/readings/*/")
    phone.page.evaluate("() => { location.hash = 'waiting'; }")
    phone.page.get_by_role("button", name="Send now").click()
    expect(phone.page.locator("#queue")).to_contain_text("On this phone 0")


@pytest.mark.parametrize(
    ("text", "seconds"), [("120", 120), ("Sat, 28 Nov 2026 06:00:30 GMT", 30), ("soon", None), (None, None)]
)
def test_both_forms_of_retry_after_are_read(phone, text, seconds):
    # RFC 9110, 10.2.3.
    at_ms = 1795845600000  # 2026-11-28T06:00:00Z
    read = phone.page.evaluate("async ([text, at]) => (await module('link')).retryAfter(text, at)", [text, at_ms])
    assert read == seconds


def test_an_answer_that_was_cut_off_is_called_that(phone, network, installation):
    phone.start_session().queue(0)
    phone.page.route("**/api/v1/readings/*/", lambda route: route.fulfill(
        status=200, content_type="application/json", body='{"id": "1000'))  # fmt: skip
    phone.read(voltage="54")
    phone.page.evaluate("() => { location.hash = 'waiting'; }")
    expect(phone.page.locator("#trouble")).to_contain_text("cut off on the way; what was sent may be stored already")
    phone.page.unroute("**/api/v1/readings/*/")
    online(phone)
    installation.comes_to("test_sessions_reading", 1)


def test_a_portals_page_can_be_opened(phone, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "portal"
    phone.note("by the shore")
    phone.page.evaluate("() => { location.hash = 'waiting'; }")
    expect(phone.page.get_by_role("link", name="Open the network's page")).to_have_attribute("target", "_blank")


def test_the_list_of_what_waits_is_drawn_by_the_window(phone, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    log_readings(phone, 200)
    phone.page.evaluate("() => { location.hash = 'waiting'; }")
    expect(phone.page.locator("ol.records > li")).to_have_count(40)
    phone.page.locator("#more").click()
    expect(phone.page.locator("ol.records > li")).to_have_count(80)


def test_storage_that_is_cleared_under_the_page_is_said(phone, network):
    # The page looks at its storage twenty times as often, and is counted at it.
    phone.page.add_init_script(
        """{ const real = setInterval; globalThis.looks = 0;
            globalThis.setInterval = (work, ms) => ms === 5000
                ? real(() => { looks += 1; work(); }, ms / 20) : real(work, ms); }"""
    )
    phone.open()
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.note("by the shore")
    # It has looked since, and is done with that: a later look began.
    before = phone.page.evaluate("() => looks")
    phone.page.wait_for_function("(before) => looks >= before + 2", arg=before)
    # Right before it counts what waits, which is the worst moment.
    phone.page.evaluate(
        """() => { const real = IDBDatabase.prototype.transaction;
            IDBDatabase.prototype.transaction = function (names, ...more) {
                if (names === "records" && !more.length) {
                    IDBDatabase.prototype.transaction = real;
                    const stores = [...this.objectStoreNames];
                    const all = real.call(this, stores, "readwrite");
                    for (const name of stores) all.objectStore(name).clear();
                }
                return real.call(this, names, ...more); }; }"""
    )
    expect(phone.page.locator("#wiped")).to_contain_text("1 record that waited here is gone")


def test_a_browser_that_promises_no_storage_is_told_about(phone):
    # Before anything is logged, in one line that opens.
    phone.page.get_by_text("This browser may forget what waits here").click()
    expect(phone.page.locator("#not-persistent")).to_contain_text("a private window forgets it")
    phone.page.evaluate("() => { location.hash = 'waiting'; }")
    expect(phone.page.locator("#not-persistent")).to_contain_text("a private window forgets it")


def test_a_reader_is_told_on_the_first_screen(phones, installation):
    installation.run("shell", "-c", "from buildlog.models import Account; "
        "Account.objects.filter(username='mara').update(role='reader')")  # fmt: skip
    reader = phones()
    reader.context.add_cookies([installation.sign_in_cookie("mara")])
    reader.page.goto(f"{reader.url}/field/")
    expect(reader.page.locator("#reader")).to_contain_text("may read but not log")
    # Signed in and with a network: neither is asked for.
    expect(reader.page.locator("#field")).to_contain_text("Only those who may log")
    expect(reader.page.get_by_role("link", name="Sign in")).to_have_count(0)
