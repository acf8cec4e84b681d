"""A session that is under way: going back to the start, starting another, and somebody else at the same phone."""

from playwright.sync_api import expect


def test_the_start_says_what_is_under_way_and_another_start_ends_it(phone, installation):
    phone.start_session().queue(0)
    phone.page.evaluate("() => { location.hash = 'start'; }")
    expect(phone.page.locator("#under-way")).to_contain_text("A session is under way: Bench sled R3, Test lake")
    expect(phone.page.locator("#under-way")).to_contain_text("Starting another ends it.")
    # It is not offered to be joined beside that.
    expect(phone.page.get_by_role("button", name="Join Bench sled")).to_have_count(0)
    phone.to("Back to it")
    phone.page.wait_for_selector("nav.board")
    phone.page.evaluate("() => { location.hash = 'start'; }")
    expect(phone.page.locator("#under-way")).to_be_visible()
    phone.start_session()
    installation.comes_to("test_sessions_session", 2)
    installation.comes_to("test_sessions_session where ended_at is not null", 1)


def test_sessions_to_join_are_told_apart_by_machine_person_and_time(phones, installation):
    rider, shore = phones().signed_in(installation, "ilo"), phones().signed_in(installation, "mara")
    rider.start_session().queue(0)
    shore.open()
    expect(shore.page.get_by_role("button", name="Join Bench sled R3, Test lake, since")).to_contain_text(
        "begun by ilo"
    )


def test_sessions_that_nobody_ended_do_not_push_the_start_away(phone, installation):
    made = (
        "from sessions.models import *; from buildlog.models import *; from django.utils import timezone as t; "
        "from datetime import timedelta; "
        "[Session.objects.create(revision=Revision.objects.get(), venue=Venue.objects.get(), "
        "started_at=t.now() - timedelta(minutes=10 * back)) for back in range(1, 6)]"
    )
    installation.run("shell", "-c", made)
    phone.page.evaluate("async () => { (await module('store')).keepMeta('reference_at', 0); }")
    phone.open()
    joins = phone.page.get_by_role("button", name="Join Bench sled")
    phone.page.get_by_text("3 more under way").click()
    expect(joins).to_have_count(5)
    phone.page.get_by_text("3 more under way").click()
    expect(joins.filter(visible=True)).to_have_count(2)


def test_another_person_at_the_same_phone_joins_knowingly(phone, installation):
    phone.start_session().queue(0)
    phone.context.clear_cookies()
    phone.context.add_cookies([installation.sign_in_cookie("mara")])
    phone.open()
    notice = phone.page.locator("#other-person")
    expect(notice).to_contain_text("ilo began this session on this phone. You are mara")
    phone.page.get_by_role("button", name="Log as mara").click()
    expect(notice).to_have_count(0)
    phone.note("by mara").queue(0)
    who = "select username from buildlog_account where id = test_sessions_reading.made_by_id"
    assert installation.rows("test_sessions_reading", f"({who})") == [("mara",)]


def test_signing_out_at_the_desk_says_what_waits(phone, network):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down" if "/api/" in path else ""
    phone.note("by the shore")
    words = []
    phone.page.on("dialog", lambda dialog: (words.append(dialog.message), dialog.dismiss()))
    phone.page.goto(f"{phone.url}/sessions/")
    with phone.page.expect_event("dialog"):
        phone.page.get_by_role("button", name="Sign out").click()
    phone.page.wait_for_timeout(500)
    assert len(words) == 1
    assert "1 record waits in this browser" in words[0]
    expect(phone.page.get_by_role("button", name="Sign out")).to_be_visible()
