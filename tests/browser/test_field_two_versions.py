"""Two versions of one record: two tabs of a phone, and the phone beside the desk."""

import pytest
from playwright.sync_api import expect

from tests.browser.queued import at_the_desk, end, key_of
from tests.browser.waits import wait_until


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
    wait_until(
        lambda: stored(installation, "rest_voltage_end_v", "charge_used_ah") == (52.1, 8.4),
        "one value is missing",
    )


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
    installation.comes_to("test_sessions_session where rest_voltage_end_v = 52.1 and distance_m is null", 1)
    place.get_by_text("Yours: 51.8 V").click()
    end(second)
    expect(second.get_by_role("heading", name="Session ended")).to_be_visible()
    wait_until(
        lambda: stored(installation, "rest_voltage_end_v", "distance_m") == (51.8, 5200.0), "the choice is missing"
    )
    assert stored(installation, "rest_voltage_end_v", "charge_used_ah", "distance_m") == (51.8, 8.0, 5200.0)


def test_what_the_desk_and_the_phone_changed_apart_comes_together(phone, installation, network):
    phone.start_session().queue(0)
    session = key_of(installation, "test_sessions_session")
    assert at_the_desk(phone, "PATCH", f"sessions/{session}/", air_temperature_c=-11, notes="From the desk")[0] == 200
    network.seen.clear()
    end(phone.page, rest="52.1")
    expect(phone.page.locator("p.queue")).to_contain_text("All 2 records are on the server")
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
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits")
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
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits")
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
    expect(phone.page.locator("p.queue")).to_contain_text("All 3 records are on the server")
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
    data = script(
        """async (merge) => {
            const { threeWay } = await import("http://modules.test/merge.js");
            return threeWay(merge);
        }""",
        {"mine": mine, "began": began, "stored": now, "names": list(mine)},
    )
    assert (data["mine"], data["overlap"]) == expected
