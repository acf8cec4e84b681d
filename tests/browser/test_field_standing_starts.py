"""A standing start that is timed by hand: said with one tap, sent, and left out of every speed."""

from playwright.sync_api import expect

REASON = "Standing start: timed from the first movement."


def tapped(phone):
    phone.tap_both_marks()
    expect(phone.page.locator("#speed")).to_contain_text("km/h")


def rows(installation):
    return installation.rows("test_sessions_pass", "start, valid, invalid_reason")


def test_a_tapped_pass_is_said_to_be_from_rest_and_back_again(phone, installation):
    phone.start_session().to("Time a pass")
    tapped(phone)
    installation.comes_to("test_sessions_pass", 1)
    assert rows(installation) == [("", 1, "")]
    phone.page.get_by_role("button", name="It was a standing start").click()
    expect(phone.page.locator("#speed")).to_have_text("no speed")
    expect(phone.page.locator(".result")).to_contain_text("a standing start, which counts for no speed")
    expect(phone.page.get_by_role("button", name="Strike it out")).to_have_count(0)
    installation.comes_to("test_sessions_pass where start = 'standing'", 1)
    assert rows(installation) == [("standing", 0, REASON)]
    phone.page.get_by_role("button", name="It was a flying start").click()
    expect(phone.page.locator("#speed")).to_contain_text("km/h")
    installation.comes_to("test_sessions_pass where start = ''", 1)
    assert rows(installation) == [("", 1, "")]


def test_a_pass_from_video_is_stored_as_a_standing_start(phone, installation):
    phone.start_session().to("Time a pass").to("From video")
    phone.page.get_by_text("Standing", exact=True).click()
    phone.page.get_by_role("textbox", name="Whole seconds").fill("11")
    phone.page.get_by_role("textbox", name="Frame rate the clip was taken at").fill("30")
    phone.page.get_by_role("button", name="Save pass").click()
    expect(phone.page.locator("#speed")).to_have_text("no speed")
    installation.comes_to("test_sessions_pass", 1)
    assert rows(installation) == [("standing", 0, REASON)]
    phone.page.evaluate("() => { location.hash = 'logged'; }")
    row = phone.page.locator("li", has_text="Pass 1")
    expect(row).to_contain_text("does not count: Standing start")
    row.get_by_role("link", name="Edit").click()
    expect(phone.page.get_by_text("It counts", exact=True)).to_have_count(0)
    phone.page.get_by_text("Flying", exact=True).click()
    phone.page.get_by_role("button", name="Save").click()
    installation.comes_to("test_sessions_pass where start = ''", 1)
    assert rows(installation) == [("", 1, "")]
