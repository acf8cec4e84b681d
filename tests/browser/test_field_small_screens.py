"""What must be seen without scrolling, on a usual phone and on a small one."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.test_field_energy import rider
from tests.browser.test_field_riding import boxes_apart

__all__ = ["rider"]

USUAL, SMALL = (390, 844), (360, 640)


def sized(phone, size):
    phone.page.set_viewport_size({"width": size[0], "height": size[1]})
    return phone


def all_on_screen(locator, size):
    boxes = [part.bounding_box() for part in locator.all()]
    assert boxes
    assert [box for box in boxes if box["y"] < 0 or box["y"] + box["height"] > size[1]] == []


@pytest.mark.parametrize("size", [USUAL, SMALL])
def test_all_severities_are_seen_whatever_failed(phone, installation, size):
    installation.run("shell", "-c", "from buildlog.models import FailureMode; "
        "[FailureMode.objects.create(name=name) for name in ('chain came loose', 'chain came apart')]")  # fmt: skip
    sized(phone, size).page.reload()
    phone.ready()
    phone.page.wait_for_timeout(500)
    phone.start_session().to("Failure").to("chain came off")
    severities = phone.page.locator(".severities .act")
    expect(severities).to_have_count(4)
    all_on_screen(severities, size)
    phone.page.get_by_role("link", name="Back", exact=True).click()
    phone.to("Something else")
    phone.page.get_by_label("What failed?").fill("chain came of")
    expect(phone.page.locator("#near-modes a")).to_have_count(3)
    all_on_screen(severities, size)
    # What was typed is seen beside them.
    assert boxes_apart(phone, "#in-mode_name", ".severities")
    assert boxes_apart(phone, "#in-mode_name", ".strip")
    phone.page.get_by_role("button", name="IV").click()
    installation.comes_to("buildlog_failure where severity = 4", 1)


@pytest.mark.parametrize("size", [USUAL, SMALL])
def test_the_riding_screen_is_whole_without_scrolling(rider, size):
    sized(rider, size).start_session().read(charge="3", distance="4")
    rider.page.get_by_role("button", name="Close").click()
    rider.to("Ride")
    rider.page.wait_for_selector("#instrument")
    all_on_screen(rider.page.locator("#instrument .digits"), size)
    for part in ("#instrument", "#field.ride .bottom"):
        assert boxes_apart(rider, part, ".dock"), part
    assert rider.page.locator("#mark").bounding_box()["height"] >= 96
    energy, minutes = (part.bounding_box() for part in rider.page.locator(".pair .big .digits").all()[:2])
    assert energy["y"] == minutes["y"]
    assert rider.page.evaluate("() => document.documentElement.scrollHeight <= innerHeight")


@pytest.mark.parametrize("size", [USUAL, SMALL])
def test_the_line_of_the_queue_takes_one_line(phone, size):
    sized(phone, size).start_session().queue(0).to("Note")
    expect(phone.page.get_by_role("heading", name="Note")).to_be_visible()
    assert phone.page.locator("#queue").bounding_box()["height"] <= 48


@pytest.mark.parametrize("size", [USUAL, SMALL])
def test_where_one_stands_is_chosen_without_scrolling(phone, size):
    sized(phone, size).start_session().to("Time a pass").to("Two phones, one at each mark")
    expect(phone.page.get_by_role("heading", name="Two phones")).to_be_visible()
    for end in ("First mark", "Last mark"):
        box = phone.page.get_by_role("button", name=end).bounding_box()
        assert box["y"] + box["height"] <= phone.page.locator(".dock").bounding_box()["y"]
    # The bound of the clocks has two digits, as any ±.
    expect(phone.page.locator("#compared")).to_contain_text(re.compile(r"± 0\.0*[1-9]\d? s\."))
