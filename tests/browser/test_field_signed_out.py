"""What a phone shows of the machine after a sign-out: nothing, and nothing that was not sent is lost by it."""

import re

from playwright.sync_api import expect

from tests.browser.installation import PASSWORD

SCREENS = ("", "#start", "#board", "#ride", "#reading", "#failure", "#logged", "#card", "#waiting", "#summary", "#end")
NAMES = ("Bench sled", "Test lake", "Straight", "chain came off", "belt slipped", "First cold day", "ilo", "mara")
NUMBERS = ("52", "41.3", "58.8", "90")


def shown(page):
    """All that the document holds, hidden elements and the title too, but addresses of its own files."""
    return page.evaluate(
        '() => document.title + document.body.outerHTML.replace(/(src|href|data-[a-z-]+)="[^"]*"/g, \'\')'
    )


def sign_out(page, url):
    page.goto(f"{url}/account/")
    page.once("dialog", lambda asked: asked.accept())  # a record waits, and that is asked about
    page.get_by_role("button", name="Sign out", exact=True).click()
    expect(page).to_have_url(re.compile("/sign-in/"))


def shows_nothing(page, waiting):
    expect(page.get_by_role("heading", name="Signed out")).to_be_visible()
    text = shown(page)
    assert [word for word in NAMES if word in text] == []
    assert [number for number in NUMBERS if number in page.inner_text("body")] == []
    if waiting:
        assert f"{waiting} records wait on this phone" in text


def test_opened_offline_after_a_sign_out_the_page_shows_nothing_and_loses_nothing(phone, installation, network):
    phone.kept_for_offline().start_session().queue(0)
    network.fault = lambda method, path: "down" if method in ("PUT", "POST") and path.startswith("/api/") else ""
    phone.read(voltage="52", current="41.3").note("cracks by the shore").queue(2)
    phone.page.evaluate("() => { location.hash = 'logged'; }")
    expect(phone.page.locator("#field")).to_contain_text("52")  # what is looked for below is there to be seen
    expect(phone.page.locator("#field")).to_contain_text("41.3")
    sign_out(phone.page, phone.url)
    phone.context.set_offline(True)
    phone.page.close()
    phone.page = phone.context.new_page()
    for screen in SCREENS:
        phone.page.goto("about:blank")
        phone.page.goto(f"{phone.url}/field/{screen}")
        phone.page.wait_for_selector("#field[data-ready]")
        shows_nothing(phone.page, waiting=2)
    assert len(phone.kept()) == 2
    phone.context.set_offline(False)
    network.fault = lambda method, path: ""
    phone.page.reload()
    phone.page.wait_for_selector("#field[data-ready]")
    shows_nothing(phone.page, waiting=2)  # a network alone brings nothing back
    assert installation.count("test_sessions_reading") == 0
    phone.sign_in()
    phone.queue(0)
    assert installation.count("test_sessions_reading") == 2


def test_an_open_page_is_cleared_by_a_sign_out_at_the_desk_and_keeps_what_is_half_typed(phone, installation):
    phone.start_session().queue(0)
    phone.to("Note").page.get_by_label("Note").fill("soft ice behind the")
    desk = phone.context.new_page()
    sign_out(desk, phone.url)
    shows_nothing(phone.page, waiting=0)
    assert "soft ice" not in shown(phone.page)
    desk.get_by_label("Username").fill("ilo")
    desk.get_by_label("Password").fill(PASSWORD)
    desk.get_by_role("button", name="Sign in").click()
    note = phone.page.get_by_label("Note")
    expect(note).to_have_value("soft ice behind the")
    note.fill("soft ice behind the island")
    phone.page.get_by_role("button", name="Save note").click()
    phone.page.wait_for_selector("nav.board")
    phone.queue(0)
    assert installation.rows("test_sessions_reading", "note") == [("soft ice behind the island",)]


def test_going_back_to_it_after_the_sign_out_shows_nothing(phone):
    phone.start_session().queue(0)
    sign_out(phone.page, phone.url)
    phone.page.go_back()
    phone.page.go_back()
    expect(phone.page).to_have_url(re.compile("/field/"))
    shows_nothing(phone.page, waiting=0)
