"""Forms in a real browser: mistakes on top with the focus, what was understood, drafts, and new records in place."""

from datetime import date

import pytest
from playwright.sync_api import expect

from buildlog.models import Fitting, Part, Revision, Vehicle
from sessions.models import Session, Venue
from tests.browser.accessibility import broken_rules
from tests.browser.sizes import ONE_SIZE

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def machine(signed_in):
    vehicle = Vehicle.objects.create(name="Bench sled")
    revision = Revision.objects.create(vehicle=vehicle, number=1, date=date(2026, 1, 10), status="riding")
    specification = {"nominal_voltage_v": 50.4, "full_voltage_v": 58.8, "empty_voltage_v": 35.0, "capacity_ah": 24.0}
    battery = Part.objects.create(name="Module", category="battery_module", specification=specification)
    Fitting.objects.create(revision=revision, part=battery, quantity=1, series=1, parallel=1)
    Venue.objects.create(name="Back bay")
    signed_in("owner")
    return revision


def test_mistakes_stand_on_top_with_the_focus_and_lead_to_their_fields(page, live_server, machine, photograph):
    page.goto(live_server.url + "/sessions/new/")
    assert broken_rules(page) == []
    page.locator("#id_venue").select_option(label="Back bay")
    page.get_by_label("Distance ridden").fill("12 V")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page).to_have_title("Error: Log a session · Firnlog")
    expect(page.locator(".mistakes")).to_be_focused()
    expect(page.locator(".mistakes")).to_be_in_viewport()
    assert broken_rules(page) == []
    photograph("form-mistakes")
    page.locator(".mistakes").get_by_role("link", name="Distance ridden").click()
    expect(page.get_by_label("Distance ridden")).to_be_focused()
    assert page.get_by_label("Distance ridden").input_value() == "12 V"


def test_nothing_lies_over_the_field_that_has_the_focus(page, live_server, machine):
    page.goto(live_server.url + "/sessions/new/")
    for control in page.locator("form.entry :is(input:not([type=hidden]), select, textarea, .act):visible").all():
        control.focus()
        covered = control.evaluate(
            """(field) => {
                const box = field.getBoundingClientRect();
                const on_top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
                return on_top === null || !(field.contains(on_top) || on_top.contains(field));
            }"""
        )
        assert not covered, control.get_attribute("name")


def test_what_is_typed_is_echoed_and_a_slip_is_mended_with_one_tap(page, live_server, machine, photograph):
    page.goto(live_server.url + "/sessions/new/")
    page.locator("#id_venue").select_option(label="Back bay")
    page.get_by_label("Distance ridden").fill("4,7")
    page.get_by_label("Runtime").fill("0:35")
    page.get_by_label("Rest voltage before").fill("58")
    page.get_by_label("Rest voltage after").fill("50")
    page.get_by_label("Charge used").fill("80")
    expect(page.locator("#id_runtime_s_echo")).to_have_text("35 min")
    expect(page.locator("#id_charge_used_ah_echo")).to_contain_text("24 Ah")
    # 4.7 km in 35 min: 8.06 km/h, arithmetic.
    expect(page.locator(".says")).to_contain_text("8.06")
    expect(page.locator(".says")).to_contain_text("in doubt")
    photograph("form-says")
    assert broken_rules(page) == []
    page.locator("#id_charge_used_ah_echo").get_by_role("button", name="8 Ah?", exact=True).click()
    assert page.get_by_label("Charge used").input_value() == "8"
    expect(page.locator("#id_charge_used_ah_echo")).to_have_text("8 Ah")
    assert not Session.objects.exists()
    if page.size_name == "desktop":
        fields, beside = page.locator(".sheet-of-fields").bounding_box(), page.locator(".says").bounding_box()
        assert beside["x"] > fields["x"] + fields["width"]
        assert beside["x"] + beside["width"] > 1100, "the page is used to its edge"


@ONE_SIZE
def test_a_draft_is_offered_again_and_is_forgotten_once_it_is_saved(page, live_server, machine):
    address = live_server.url + "/sessions/new/"
    page.goto(address)
    page.locator("#id_venue").select_option(label="Back bay")
    page.get_by_label("Notes").fill("Wind turned at noon")
    page.wait_for_function("() => JSON.stringify(localStorage).includes('Wind turned at noon')")
    page.goto(live_server.url + "/sessions/")
    page.goto(address)
    expect(page.locator(".draft")).to_contain_text("did not save it")
    assert broken_rules(page) == []
    # Databases of tests are in memory, where a reader waits for no writer: let the form's question be answered first.
    with page.expect_response(lambda answer: answer.request.method == "POST"):
        page.get_by_role("button", name="Bring it back").click()
    assert page.get_by_label("Notes").input_value() == "Wind turned at noon"
    page.get_by_role("button", name="Save", exact=True).click()
    page.wait_for_url("**/sessions/*-*/")
    assert Session.objects.get().notes == "Wind turned at noon"
    assert page.evaluate("() => Object.keys(localStorage)") == []
    page.goto(address)
    assert page.locator(".draft").count() == 0


@ONE_SIZE
def test_a_refused_form_keeps_its_draft_and_signing_out_takes_all(page, live_server, machine):
    page.goto(live_server.url + "/sessions/new/")
    page.get_by_label("Distance ridden").fill("12 V")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator(".mistakes")).to_be_visible()
    assert len(page.evaluate("() => Object.keys(localStorage)")) == 1
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in/")
    assert page.evaluate("() => Object.keys(localStorage)") == []


@ONE_SIZE
def test_the_choice_of_a_new_record_opens_its_fields_also_without_a_script(browser, page, live_server, machine):
    cookies = page.context.cookies()
    context = browser.new_context(java_script_enabled=False)
    context.add_cookies(cookies)
    bare = context.new_page()
    bare.goto(live_server.url + "/sessions/new/")
    assert bare.get_by_label("Name of the new venue").is_hidden()
    bare.locator("#id_venue").select_option(label="A new venue …")
    bare.get_by_label("Name of the new venue").fill("North shore")
    bare.get_by_label("Distance ridden").fill("4,7 km")
    bare.get_by_label("Runtime").fill("35")
    bare.get_by_role("button", name="Work it out, without saving").click()
    assert "8.06" in bare.text_content(".says")
    assert not Session.objects.exists()
    bare.get_by_role("button", name="Save and add a pass").click()
    bare.get_by_label("Name of the new gate").fill("Straight")
    bare.get_by_label("From its first mark to its last").fill("100 m")
    bare.get_by_label("Time, first to last mark").fill("8")
    bare.get_by_role("button", name="Save", exact=True).click()
    assert Session.objects.get().passes.get().gate.name == "Straight"
    context.close()
