"""The whole loop in a real browser: failure, cause, modification, revision, sessions, held; and when it comes again."""

from datetime import UTC, datetime, timedelta

import pytest
from playwright.sync_api import expect

from buildlog.models import Failure, Revision
from sessions.models import Session
from tests.browser.accessibility import broken_rules
from tests.browser.test_main_job import fits

pytestmark = pytest.mark.django_db(transaction=True)


def sign_in(page, live_server):
    page.goto(live_server.url + "/sign-in/")
    page.get_by_label("Username").fill("ilo")
    page.get_by_label("Password").fill("frost-and-chain-77")
    page.get_by_role("button", name="Sign in").click()


def record_failure(page, live_server, words, when):
    page.goto(live_server.url + "/failures/new/")
    page.get_by_label("What failed").fill(words)
    page.get_by_label("Severity category").select_option(index=3)
    page.get_by_label("When", exact=True).fill(when)
    page.get_by_role("button", name="Save", exact=True).click()


def test_a_failure_closes_its_loop_and_opens_again(page, live_server, make_account, revision, venue, photograph):
    make_account("builder", "ilo")
    start = datetime(2026, 1, 10, 10, 0, tzinfo=UTC)

    def ride(of, km, day):
        Session.objects.create(
            revision=of, venue=venue, started_at=start + timedelta(days=day), distance_m=1000.0 * km, runtime_s=3600.0
        )

    ride(revision, 50, 0)
    sign_in(page, live_server)
    for day in ("2026-01-10T11:00", "2026-01-10T12:00", "2026-01-10T13:00"):
        record_failure(page, live_server, "chain came off", day)

    page.get_by_role("link", name="Find the cause").click()
    page.get_by_label("The cause, in one sentence").fill("The frame flexes under load.")
    page.get_by_label("Why did it happen").fill("It jumped the sprocket.\nIt hung slack.")
    page.get_by_label("Confirmed, not suspected").check()
    page.get_by_role("button", name="Save", exact=True).click()
    assert "needs what shows it" in page.text_content("main")
    page.get_by_label("or by an excerpt").fill("Gap of 4 mm with two people on it")
    page.get_by_role("button", name="Save", exact=True).click()
    assert "Cause (confirmed)" in page.text_content("main")

    page.get_by_role("link", name="Answer it on a new revision").click()
    page.get_by_label("Status").select_option(label="Planned")
    page.get_by_role("button", name="Save", exact=True).click()
    page.locator(".more > summary").click()
    page.get_by_role("link", name="Note a modification").click()
    page.get_by_label("Title").fill("Sprung idler")
    for box in page.locator("input[name=answers]").all():
        box.check()
    page.get_by_role("button", name="Save", exact=True).click()
    assert {failure.state for failure in Failure.objects.all()} == {"open"}  # a fix on paper is on no machine
    page.locator(".more > summary").click()
    page.locator(".more").get_by_role("link", name="Edit", exact=True).click()
    page.get_by_label("Status").select_option(label="Riding")
    page.get_by_role("button", name="Save", exact=True).click()
    assert {failure.state for failure in Failure.objects.all()} == {"fix_fitted"}

    second = Revision.objects.get(number=2)
    ride(second, 30, 20)
    bench = f"{live_server.url}/vehicles/{revision.vehicle_id}/bench/"
    page.goto(bench)
    page.get_by_text("Does it come less often?").click()
    # The summary says it whole: no sentence is cut off before its number.
    assert "…" not in page.locator("summary", has_text="Does it come less often?").inner_text()
    page.get_by_text("Look closer").first.click()
    page.wait_for_selector("#failure_growth .main-svg")
    assert "0 in 30 km since" in page.text_content("main")
    photograph("bench")
    assert fits(page)
    assert broken_rules(page) == []
    page.goto(live_server.url + Failure.objects.first().get_absolute_url())
    assert page.get_by_role("button", name="It has held").count() == 0
    ride(second, 60, 21)
    # One signature speaks for the mode, whichever of its failures it is given at.
    page.goto(live_server.url + Failure.objects.first().get_absolute_url())
    page.get_by_label("Why it counts as held").fill("Ridden far enough without it.")
    page.get_by_role("button", name="It has held").click()
    assert {failure.state for failure in Failure.objects.all()} == {"held"}
    photograph("held")
    assert fits(page)
    assert broken_rules(page) == []

    record_failure(page, live_server, "chain came off", "2026-02-05T10:00")
    assert "It happened again: a recurrence of" in page.text_content("main")
    page.goto(bench)
    assert page.locator(".rows .badge.recurred").count() >= 1
    page.get_by_role("link", name="Try a change on paper").first.click()
    page.get_by_text("Geometry, gearing and mass").click()
    page.get_by_label("Track width").fill("1.5 m")
    page.get_by_role("button", name="See what it does").click()
    assert fits(page)
    assert broken_rules(page) == []
    photograph("what-if")
    page.get_by_role("button", name="Keep it as the planned revision").click()
    assert "Saved as" in page.text_content("main")
    page.goto(bench)
    page.locator(".more > summary").click()
    page.get_by_role("button", name="Make a test card of the next outing").click()
    assert "Made from" in page.text_content("main")
    page.get_by_role("button", name="Save", exact=True).click()
    photograph("card")
    assert broken_rules(page) == []


def test_on_paper_a_slip_while_typing_is_said_beside_the_picture_that_it_leaves(
    page, live_server, make_account, revision, photograph
):
    """Seen: after "1,5x" or "15 kg" the picture of the value before stayed, and nothing said so."""
    make_account("builder", "ilo")
    sign_in(page, live_server)
    page.goto(f"{live_server.url}/revisions/{revision.pk}/what-if/")
    page.get_by_text("Geometry, gearing and mass").click()
    not_drawn = page.locator("#not-drawn")
    page.get_by_label("Track width").fill("1.5 m")
    expect(page.locator("#numbers")).to_contain_text("What it moves")
    expect(not_drawn).to_have_text("")
    page.get_by_label("Track width").fill("15 kg")
    expect(not_drawn).to_contain_text("Not in the picture and the numbers: ")
    expect(not_drawn).to_contain_text("rack width")
    # What was worked out stays.
    expect(page.locator("#numbers")).to_contain_text("What it moves")
    photograph("slip-on-paper")
    page.get_by_label("Track width").fill("1.4 m")
    expect(not_drawn).to_have_text("")
