"""The whole path in a real browser: sign in, record a revision, log a session, read its numbers, compare."""

import pytest
from playwright.sync_api import expect

from tests.browser.accessibility import broken_rules

pytestmark = pytest.mark.django_db(transaction=True)


def fits(page):
    """No page may be wider than the screen."""
    page.wait_for_load_state()
    return page.evaluate("() => document.documentElement.scrollWidth <= window.innerWidth")


def test_from_sign_in_to_a_decision(page, live_server, make_account, photograph):
    make_account("builder", "ilo")
    page.goto(live_server.url + "/")
    page.get_by_label("Username").fill("ilo")
    page.get_by_label("Password").fill("frost-and-chain-77")
    page.get_by_role("button", name="Sign in").click()
    assert "An empty log" in page.text_content("main")
    photograph("empty")

    page.get_by_role("link", name="Start").first.click()
    page.get_by_label("Name").fill("Bench sled")
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_role("link", name="Later").click()
    for width in ("1.1 m", "48 in"):
        page.get_by_label("Date of this state").fill("2026-01-10")
        page.get_by_label("Status").select_option(label="Riding")
        page.get_by_label("Track width").fill(width)
        page.get_by_role("button", name="Save", exact=True).click()
        page.wait_for_url("**/revisions/*/")
        machine = page.get_by_role("link", name="Bench sled").first.get_attribute("href")
        page.goto(f"{live_server.url}{machine}new-revision/")

    page.goto(f"{live_server.url}{machine}")
    page.get_by_role("link", name="Log a session").first.click()
    page.get_by_label("Name of the new venue").fill("Back bay")
    page.get_by_label("Distance ridden").fill("12 V")
    page.get_by_label("Runtime").fill("25 min")
    page.get_by_label("Charge used").fill("7,5")
    page.get_by_label("Air temperature").fill("9")
    page.locator(".field", has_text="Air temperature").get_by_role("button", name="Turn the sign").click()
    page.get_by_role("button", name="Save", exact=True).click()
    assert "12 V” is not a distance" in page.text_content("main")
    assert page.get_by_label("Charge used").input_value() == "7,5"
    assert page.get_by_label("Air temperature").input_value() == "-9"
    photograph("refused")
    page.get_by_label("Distance ridden").fill("9.5 km")
    page.get_by_label("Rest voltage before").fill("54")
    page.get_by_label("Rest voltage after").fill("51")
    page.get_by_role("button", name="Save", exact=True).click()

    page.get_by_role("link", name="Add a pass").click()
    page.get_by_label("Name of the new gate").fill("Straight")
    page.get_by_label("From its first mark to its last").fill("100 m")
    page.get_by_label("Timed by").select_option(label="Video frames")
    page.get_by_label("Time, first to last mark").fill("7")
    page.get_by_label("Frames beyond those seconds").fill("10")
    page.get_by_label("Frame rate").fill("30")
    page.get_by_role("button", name="Save", exact=True).click()
    for minute, volts in (("5", "52,3"), ("15", "51.6")):
        page.locator(".more > summary").click()
        page.get_by_role("link", name="Add a reading").click()
        page.get_by_label("Time into the session").fill(minute)
        page.get_by_label("Voltage").fill(volts)
        page.get_by_label("Current").fill("45")
        page.get_by_role("button", name="Save", exact=True).click()

    # Common practice, no source: 100 m in 7 s and 10 frames at 30 frames/s is 49.09 km/h.
    assert "49.09 ± " in page.text_content("main")
    assert "needs" in page.text_content("main")
    assert fits(page)
    assert broken_rules(page) == []
    photograph("session")

    page.get_by_role("link", name="Compare", exact=True).click()
    page.get_by_text("Means of the sessions as ridden").click()
    expect(page.locator("figure.still svg:visible").first).to_be_visible()
    page.locator(".closer:has(#average_gate_speed) > summary").click()
    expect(page.locator("#average_gate_speed .main-svg").first).to_be_visible()
    assert "not yet known" in page.text_content("main")
    assert fits(page)
    assert broken_rules(page) == []
    photograph("compare")


def test_dark_is_readable_too(page, live_server, make_account):
    make_account("reader", "ilo")
    page.emulate_media(color_scheme="dark")
    page.goto(live_server.url + "/sign-in/")
    page.get_by_label("Username").fill("ilo")
    page.get_by_label("Password").fill("frost-and-chain-77")
    page.get_by_role("button", name="Sign in").click()
    assert broken_rules(page) == []


def test_text_reaches_seven_to_one(page, live_server):
    """WCAG 2.1, success criterion 1.4.6, for the pairs of tokens that carry text, in light and dark."""
    pairs = [
        ("--ink", "--paper"), ("--ink", "--sheet"), ("--ink-soft", "--paper"), ("--ink-soft", "--sheet"),
        ("--link", "--paper"), ("--link", "--sheet"), ("--caution-ink", "--caution"), ("--wrong", "--sheet"),
        ("--wrong", "--wrong-sheet"),
    ]  # fmt: skip
    controls = [("--line", "--sheet"), ("--line", "--paper"), ("--accent", "--paper"), ("--focus", "--paper")]
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        page.goto(live_server.url + "/sign-in/")
        read = "name => getComputedStyle(document.documentElement).getPropertyValue(name).trim()"
        for least, listed in ((7.0, pairs), (3.0, controls)):
            for front, back in listed:
                ratio = contrast(page.evaluate(read, front), page.evaluate(read, back))
                assert ratio >= least, (scheme, front, back, round(ratio, 2))
        ratio = contrast(page.evaluate(read, "--accent-ink"), page.evaluate(read, "--accent"))
        assert ratio >= 4.5, (scheme, round(ratio, 2))


def contrast(first, second):
    """Contrast ratio of two #rrggbb colours: WCAG 2.1, definitions of relative luminance and contrast ratio."""

    def luminance(colour):
        digits = colour.lstrip("#")
        digits = "".join(digit * 2 for digit in digits) if len(digits) == 3 else digits
        parts = [int(digits[index : index + 2], 16) / 255 for index in (0, 2, 4)]
        red, green, blue = (p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    lighter, darker = sorted((luminance(first), luminance(second)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)
