"""Can this be? Mended and confirmed in a browser, at the desk in both sizes and on the phone."""

import pytest
from playwright.sync_api import expect

from buildlog.models import Confirmation, Vehicle
from sessions.models import Log, Session
from tests.browser.accessibility import broken_rules
from tests.browser.phone import SCREEN, Phone
from tests.browser.test_field_energy import exactly
from tests.browser.test_main_job import fits
from tests.logs.logger_kinds import KINDS


@pytest.fixture
def slipped(machine_of_the_season, signed_in):
    """A session of the demo whose runtime was typed as 0:35 and stored in seconds, by somebody signed in."""
    made = Session.objects.filter(revision__number=5).first()
    Session.objects.filter(pk=made.pk).update(runtime_s=round(made.runtime_s / 60.0), energy_used_wh=None)
    signed_in("builder")
    return made


def test_a_slip_is_mended_with_one_tap(page, live_server, slipped, photograph):
    page.goto(f"{live_server.url}{slipped.get_absolute_url()}")
    panel = page.get_by_role("region", name="Can this be?")
    expect(panel).to_contain_text("The mean speed would be")
    assert fits(page)
    assert broken_rules(page) == []
    photograph("doubts-session")
    panel.get_by_role("button", name="it was in minutes, not seconds").first.click()
    expect(page.locator(".messages")).to_contain_text("Runtime changed from")
    expect(page.get_by_role("region", name="Can this be?")).to_have_count(0)
    after = Session.objects.get(pk=slipped.pk)
    assert after.runtime_s == 60 * round(slipped.runtime_s / 60.0)


def test_it_is_so_is_kept_and_can_be_taken_back(page, live_server, slipped, photograph):
    page.goto(f"{live_server.url}{Vehicle.objects.get().get_absolute_url()}")
    page.locator(".more > summary").click()
    page.get_by_role("link", name="Doubts").click()
    assert fits(page)
    assert broken_rules(page) == []
    photograph("doubts-list")
    entry = page.locator(".doubt", has_text="The mean speed would be")
    entry.get_by_text("It is so", exact=True).first.click()
    entry.get_by_label("Why it is so").fill("Towed behind a car, with a stopwatch.")
    entry.get_by_role("button", name="It is so").click()
    expect(page.locator(".messages")).to_contain_text("Kept: it is so. Towed behind a car")
    expect(page.locator("section.ruled", has_text="Confirmed")).to_contain_text("(ilo, 20")
    photograph("doubts-confirmed")
    assert Confirmation.objects.filter(confirmed_by="ilo").exists()
    page.get_by_role("button", name="Ask again").first.click()
    expect(page.locator(".messages")).to_contain_text("the doubt is open again")


def test_the_phone_says_it_after_saving_and_offers_what_was_meant(installation, browser, photograph_phone):
    context = browser.new_context(**SCREEN)
    phone = Phone(context, installation.url).signed_in(installation)
    phone.start_session()
    phone.read(voltage="540")
    notice = phone.page.locator("#doubts")
    expect(notice).to_contain_text("540 V was read, but the full pack has 58.8 V.")
    expect(notice.get_by_role("heading")).to_have_text("Saved. Can this be?")
    assert phone.page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
    photograph_phone(phone, "phone-doubts")
    notice.get_by_role("button", name="Voltage 54 V").click()
    expect(phone.page.locator("#said")).to_contain_text("Set right on this phone")
    expect(notice).to_have_count(0)
    phone.queue(0)
    key = next(record["id"] for record in phone.kept("acknowledged") if record["kind"] == "readings")
    stored = phone.page.request.get(f"{installation.url}/api/v1/readings/{key}/").json()
    assert stored["voltage_v"] == 54.0
    assert stored["doubts"] == []
    assert phone.errors == []
    context.close()


def test_the_phone_may_leave_it_for_the_desk(installation, browser):
    context = browser.new_context(**SCREEN)
    phone = Phone(context, installation.url).signed_in(installation)
    phone.start_session()
    phone.read(voltage="540")
    notice = phone.page.locator("#doubts")
    notice.get_by_role("button", name="Leave it").click()
    expect(notice).to_have_count(0)
    phone.note("Still fine.")
    phone.queue(0)
    expect(notice).to_have_count(0)
    assert phone.errors == []
    context.close()


def test_a_reading_in_doubt_sends_nobody_farther_out(installation, browser):
    context = browser.new_context(**SCREEN)
    phone = Phone(context, installation.url).signed_in(installation)
    phone.start_session()
    phone.read(charge="6", distance="5")
    phone.queue(0)
    before_m, _ = exactly(phone)
    # 500 km for 50: the energy per km would be a hundredth, and the way out a hundred times as far.
    phone.read(charge="6.5", distance="500")
    notice = phone.page.locator("#doubts")
    expect(notice).to_be_visible()
    expect(phone.page.locator(".strip")).to_contain_text("the lower of with and without what is in doubt")
    assert exactly(phone)[0] <= before_m
    notice.get_by_role("button", name="Leave it").click()
    expect(notice).to_have_count(0)
    assert exactly(phone)[0] <= before_m
    assert phone.errors == []
    context.close()


def test_a_logger_s_file_is_asked_about_and_set_right_before_it_is_imported(page, live_server, slipped, photograph):
    Session.objects.filter(pk=slipped.pk).update(runtime_s=900.0)
    page.goto(f"{live_server.url}/sessions/{slipped.pk}/new-log/")
    content = KINDS["mV not named"].content
    page.locator("input[type=file]").set_input_files([{"name": "bench.csv", "mimeType": "text/csv", "buffer": content}])
    page.get_by_role("button", name="Import").click()
    page.get_by_role("button", name="Import", exact=True).click()
    panel = page.get_by_role("region", name="Can this be?")
    expect(panel).to_contain_text("nothing was taken from it yet")
    assert fits(page)
    assert broken_rules(page) == []
    photograph("doubts-log")
    assert Log.objects.get(name="bench.csv").state == Log.State.WAITING
    panel.get_by_role("button", name="in mV").click()
    expect(page.get_by_text("Nothing is in doubt now")).to_be_visible()
    page.get_by_role("button", name="Import", exact=True).click()
    expect(page.locator(".messages")).to_contain_text("Imported: bench.csv")
    assert Log.objects.get(name="bench.csv").summary["columns"]["voltage_v"][1] < 60
