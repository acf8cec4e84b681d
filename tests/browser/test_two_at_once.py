"""Two people on one record in a real browser: what the one stored, and what the other typed, are both there."""

import json

import pytest
from playwright.sync_api import expect

from sessions.models import Session
from tests.browser.accessibility import broken_rules
from tests.browser.test_main_job import fits

pytestmark = pytest.mark.django_db(transaction=True)


def sign_in(page, live_server):
    page.goto(live_server.url + "/sign-in/")
    page.get_by_label("Username").fill("ilo")
    page.get_by_label("Password").fill("frost-and-chain-77")
    page.get_by_role("button", name="Sign in").click()


def change(page, live_server, session, **values):
    """As a phone or a program does, through the API, while the page stays open."""
    path = f"{live_server.url}/api/v1/sessions/{session.pk}/"
    token = next(cookie["value"] for cookie in page.context.cookies() if "csrf" in cookie["name"])
    body = {**values, "version": page.context.request.get(path).json()["version"]}
    answer = page.context.request.patch(
        path, data=json.dumps(body), headers={"Content-Type": "application/json", "X-CSRFToken": token}
    )
    assert answer.status == 200


def test_both_versions_are_shown_and_a_person_chooses(page, live_server, make_account, session, photograph):
    make_account("builder", "ilo")
    sign_in(page, live_server)
    page.goto(f"{live_server.url}/sessions/{session.pk}/edit/")
    change(
        page, live_server, session, charge_used_ah=9.1, rest_voltage_end_v=51.2, distance_method="satellite",
        notes="Bearing sang at speed; the idler was hot to the touch after the third pass.",
    )  # fmt: skip
    page.get_by_label("Charge used").fill("8.4")
    page.get_by_label("Distance ridden").fill("12")
    page.get_by_label("Notes").fill("Chain slack, second run cut short.")
    page.get_by_label("Payload").fill("3")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("heading", name="Choose which stays")).to_be_visible()
    photograph("conflict")
    assert fits(page)
    assert broken_rules(page) == []
    # The summary has the focus, and leads to each choice.
    assert page.evaluate("() => document.activeElement.getAttribute('role')") == "alert"
    for name in ("Distance ridden", "Charge used", "Notes"):
        expect(page.get_by_role("alert").get_by_role("link", name=name)).to_be_visible()
    charge, distance, notes = (
        page.get_by_role("group", name=name) for name in ("Charge used", "Distance ridden, how", "Notes")
    )
    expect(charge).to_contain_text("9.1 Ah")
    expect(charge.get_by_role("textbox")).to_have_value("8.4")
    expect(notes).to_contain_text("hot to the touch")
    expect(distance).to_contain_text("Satellite track")
    expect(page.locator("form.entry")).to_contain_text("kept as stored: Rest voltage after (52 V → 51.2 V)")
    charge.get_by_label("Stored now", exact=True).check()
    distance.get_by_label("Yours", exact=True).check()
    page.get_by_role("button", name="Save", exact=True).click()
    expect(notes).to_contain_text("Choose yours or what is stored.")
    photograph("conflict-unchosen")
    notes.get_by_label("Yours", exact=True).check()
    notes.get_by_role("textbox").fill("Chain slack. Bearing sang.")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("status")).to_contain_text("Saved")
    session.refresh_from_db()
    assert (session.charge_used_ah, session.notes, session.payload_kg) == (9.1, "Chain slack. Bearing sang.", 3.0)
    assert (session.distance_m, session.distance_method, session.rest_voltage_end_v) == (12000.0, "", 51.2)


def test_without_script_and_for_a_record_that_is_gone(browser, live_server, make_account, session):
    make_account("builder", "ilo")
    context = browser.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=False)
    page = context.new_page()
    sign_in(page, live_server)
    page.goto(f"{live_server.url}/sessions/{session.pk}/edit/")
    change(page, live_server, session, charge_used_ah=9.1)
    page.get_by_label("Charge used").fill("8.4")
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_role("group", name="Charge used").get_by_label("Yours", exact=True).check()
    page.get_by_role("button", name="Save", exact=True).click()
    assert Session.objects.get().charge_used_ah == 8.4
    page.goto(f"{live_server.url}/sessions/{session.pk}/edit/")
    page.get_by_label("Notes").fill("Written by hand")
    Session.objects.all().delete()
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("alert")).to_contain_text("This record was deleted elsewhere while its form was open")
    expect(page.get_by_label("Notes")).to_have_value("Written by hand")
    page.get_by_role("button", name="Save as a new record").click()
    expect(page.get_by_role("status")).to_contain_text("Saved")
    made = Session.objects.get()
    assert (made.pk, made.notes, made.charge_used_ah) == (session.pk, "Written by hand", 8.4)
    context.close()
