"""Forms that were open while the record was changed elsewhere: nothing stored and nothing typed is lost."""

import json

import pytest

from buildlog.records.form_merge import BEGAN_FROM
from sessions.models import (
    Session,
)
from tests.filled_forms import fields_of, opened
from tests.records.stale_forms.pages import by_the_api


def test_what_the_api_stored_while_the_page_was_open_stays(client, session, page):
    """The case that was found: charge, voltage and note were lost on Save, with a 302 and no word."""
    form = opened(client, page)
    by_the_api(client, "sessions", session, charge_used_ah=9.1, rest_voltage_end_v=51.2, notes="Bearing sang")
    answer = client.post(page, {**form, "wind_speed_mps": "3"}, follow=True)
    session.refresh_from_db()
    assert (session.charge_used_ah, session.rest_voltage_end_v, session.notes) == (9.1, 51.2, "Bearing sang")
    assert session.wind_speed_mps == pytest.approx(3 / 3.6)
    words = answer.content.decode()
    assert "Changed elsewhere meanwhile, and kept: " in words
    assert all(label in words for label in ("Rest voltage after", "Charge used", "Notes"))


def test_the_same_field_changed_to_two_things_shows_both(client, session, page):
    form = opened(client, page)
    by_the_api(client, "sessions", session, charge_used_ah=9.1, notes="Bearing sang")
    answer = client.post(page, {**form, "charge_used_ah": "8.4", "payload_kg": "12"})
    words = answer.content.decode()
    assert answer.status_code == 409
    assert "The same was changed elsewhere while you had this open" in words
    assert 'value="8.4"' in words
    assert "9.1 Ah" in words
    assert "When you opened it: 8 Ah" in words
    session.refresh_from_db()
    assert (session.charge_used_ah, session.payload_kg) == (9.1, None)
    sent = fields_of(answer)
    assert (sent["charge_used_ah"], sent["payload_kg"], sent["notes"]) == ("8.4", "12", "Bearing sang")


@pytest.mark.parametrize(("choice", "charge_ah"), [("mine", 8.4), ("stored", 9.1)])
def test_a_person_chooses_which_stays(client, session, page, choice, charge_ah):
    form = opened(client, page)
    by_the_api(client, "sessions", session, charge_used_ah=9.1)
    shown = fields_of(client.post(page, {**form, "charge_used_ah": "8.4", "payload_kg": "12"}))
    unchosen = client.post(page, shown)
    assert unchosen.status_code == 409
    assert "Choose yours or what is stored." in unchosen.content.decode()
    answer = client.post(page, {**fields_of(unchosen), "keep_charge_used_ah": choice})
    assert answer.status_code == 302
    session.refresh_from_db()
    assert (session.charge_used_ah, session.payload_kg) == (charge_ah, 12.0)


def test_a_third_version_while_one_chooses_is_shown_too(client, session, page):
    form = opened(client, page)
    by_the_api(client, "sessions", session, charge_used_ah=9.1)
    shown = fields_of(client.post(page, {**form, "charge_used_ah": "8.4"}))
    by_the_api(client, "sessions", session, charge_used_ah=9.7)
    answer = client.post(page, {**shown, "keep_charge_used_ah": "mine"})
    assert answer.status_code == 409
    assert "9.7 Ah" in answer.content.decode()
    assert Session.objects.get().charge_used_ah == 9.7


def test_the_same_value_on_both_sides_is_no_conflict(client, session, page):
    form = opened(client, page)
    by_the_api(client, "sessions", session, charge_used_ah=9.1, notes="One\nTwo")
    answer = client.post(page, {**form, "charge_used_ah": "9.10 Ah", "notes": "One\r\nTwo"})
    assert answer.status_code == 302
    assert Session.objects.get().charge_used_ah == 9.1


def test_a_refused_form_comes_again_with_what_it_began_from(client, session, page):
    """The newest version in its place would let the second try overwrite what nobody has seen."""
    form = opened(client, page)
    refused = client.post(page, {**form, "charge_used_ah": "lots", "notes": "Mine"})
    assert refused.status_code == 422
    by_the_api(client, "sessions", session, charge_used_ah=9.1, notes="Theirs")
    answer = client.post(page, {**fields_of(refused), "charge_used_ah": "8.4"})
    assert answer.status_code == 409
    words = answer.content.decode()
    assert all(text in words for text in ("9.1 Ah", "Theirs", 'value="8.4"', "Mine"))
    assert Session.objects.get().notes == "Theirs"


def test_a_slip_and_a_conflict_at_once_are_both_shown(client, session, page):
    form = opened(client, page)
    by_the_api(client, "sessions", session, notes="Theirs")
    answer = client.post(page, {**form, "charge_used_ah": "lots", "notes": "Mine"})
    assert answer.status_code == 409
    words = answer.content.decode()
    assert all(text in words for text in ("lots", "Theirs", "Mine", "What you wrote is still here"))


def test_a_form_that_does_not_say_what_it_began_from_writes_over_nothing(client, session, page):
    """Such as a page that was open while the server was brought up to date."""
    form = opened(client, page)
    for broken in (None, "", "nonsense", "[]", '{"shown": 7}', '{"shown": {"a": "\\ud800"}}', "[" * 9000):
        values = {name: value for name, value in form.items() if name != BEGAN_FROM}
        values |= {} if broken is None else {BEGAN_FROM: broken}
        answer = client.post(page, {**values, "charge_used_ah": "8.4"})
        assert answer.status_code == 409
        assert "does not say what it began from" in answer.content.decode()
    assert Session.objects.get().charge_used_ah == 8.0
    # Into what is empty it may write: nothing is lost by it.
    values = {name: value for name, value in form.items() if name != BEGAN_FROM}
    assert client.post(page, {**values, "payload_kg": "12"}).status_code == 302
    assert Session.objects.get().payload_kg == 12.0
    chosen = client.post(page, {**fields_of(answer), "keep_charge_used_ah": "mine"})
    assert chosen.status_code == 302
    assert Session.objects.get().charge_used_ah == 8.4


def test_fields_that_a_form_does_not_have_keep_what_they_have(client, session, page):
    """A page of the release before does not know the newest fields, and must not empty them."""
    form = opened(client, page)
    data = json.loads(form[BEGAN_FROM])
    for name in ("payload_kg", "wind_speed_mps"):
        form.pop(name)
        del data["shown"][name]
    Session.objects.update(payload_kg=12.0)
    assert client.post(page, {**form, BEGAN_FROM: json.dumps(data), "notes": "New"}).status_code == 302
    session.refresh_from_db()
    assert (session.payload_kg, session.notes) == (12.0, "New")


def test_what_was_not_touched_stays_to_the_last_digit(client, session, page):
    """The form shows minutes and twelve digits; the record keeps seconds and all of them."""
    exact = 8.123456789012345
    Session.objects.update(started_at="2026-01-17T11:00:37.25Z", charge_used_ah=exact)
    client.post(page, {**opened(client, page), "notes": "Only this"})
    session.refresh_from_db()
    assert (session.started_at.second, session.started_at.microsecond) == (37, 250000)
    assert session.charge_used_ah == exact


def test_units_that_were_changed_meanwhile_do_not_turn_the_numbers(client, session, page):
    """The form was filled in metric units; whoever switches in another tab has typed no mile."""
    form = opened(client, page)
    client.post("/account/", {"form": "units", "unit_system": "imperial"})
    client.post(page, {**form, "distance_m": "12"})
    assert Session.objects.get().distance_m == pytest.approx(12000.0)


def test_what_belongs_together_is_not_mixed(client, session, page):
    """A distance of one and a method of the other would be nobody's."""
    form = opened(client, page)
    by_the_api(client, "sessions", session, distance_method="satellite")
    answer = client.post(page, {**form, "distance_m": "12"})
    assert answer.status_code == 409
    assert "Satellite track" in answer.content.decode()
    client.post(page, {**fields_of(answer), "keep_distance_m": "mine"})
    session.refresh_from_db()
    assert (session.distance_m, session.distance_method) == (12000.0, "")


def test_a_track_s_length_in_the_address_is_a_change_and_not_a_beginning(client, session):
    path = f"/sessions/{session.pk}/edit/?distance_m=7000"
    form = opened(client, path)
    assert form["distance_m"] == "7"
    client.post(path, form)
    session.refresh_from_db()
    assert (session.distance_m, session.distance_method) == (7000.0, "satellite")
