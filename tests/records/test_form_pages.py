"""Forms: mistakes on top, what is required, what a form says before it is saved, and forms that wait for a record."""

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from buildlog.models import Failure, FailureMode, Fitting, Part, Photo
from sessions.models import Gate, Pass, Session, TestCard, TestCardItem, Venue
from tests.filled_forms import fields_of, opened

GOOD = {"started_at": "2026-01-17 11:00", "runtime_s": "30", "distance_m": "10"}
NEW_PART = {"name": "Motor A", "continuous_power_w": "3 kW"}


def test_a_refused_form_lists_its_mistakes_with_links_and_says_so_in_the_title(sign_in, revision, venue):
    sent = {**GOOD, "revision": revision.pk, "venue": venue.pk, "distance_m": "12 V", "rider_mass_kg": "80 km"}
    page = sign_in("recorder").post("/sessions/new/", sent).content.decode()
    assert "<title>Error: Log a session" in page
    summary = page[page.index('<div class="mistakes"') : page.index('<form method="post" class="entry')]
    assert 'tabindex="-1" autofocus' in summary
    assert re.findall(r'href="#(\w+)"', summary) == ["id_rider_mass_kg", "id_distance_m"]
    for name in ("id_rider_mass_kg", "id_distance_m"):
        assert f'id="{name}"' in page


def test_required_fields_are_marked_and_the_others_are_not(sign_in, revision):
    page = sign_in("recorder").get("/sessions/new/").content.decode()
    assert "if known" not in page
    marked = re.findall(r'<label for="id_(\w+)">[^<]*&nbsp;<span class="required"', page)
    assert marked == ["revision", "venue", "started_at"]


def test_times_are_typed_and_shown_in_24_hours_and_the_logs_zone(sign_in, session):
    client = sign_in("recorder")
    with timezone.override(ZoneInfo("Europe/Helsinki")):
        page = client.get(f"/sessions/{session.pk}/edit/").content.decode()
        # 11:00 UTC is 13:00 in Helsinki in winter: IANA time zone database, Europe/Helsinki, EET = UTC+2.
        assert 'value="2026-01-17 13:00"' in page
        assert "24 h, Helsinki" in page
        assert "datetime-local" not in page
        form = opened(client, f"/sessions/{session.pk}/edit/")
        client.post(f"/sessions/{session.pk}/edit/", {**form, "started_at": "17.1.2026 14.45"})
    session.refresh_from_db()
    assert session.started_at == datetime(2026, 1, 17, 12, 45, tzinfo=UTC)


# --- What it says


def asked(client, path, sent):
    answer = client.post(path, {**sent, "check": "script"})
    assert answer.status_code == 200
    return answer.json()


def test_a_form_says_what_it_understood_and_what_follows_and_stores_nothing(sign_in, revision, venue, session):
    client = sign_in("recorder")
    sent = {**GOOD, "revision": revision.pk, "venue": venue.pk, "distance_m": "2 mi", "runtime_s": "0:20"}
    answer = asked(client, "/sessions/new/", sent)
    # NIST SP 811 (2008), B.8: 1 mi = 1609.344 m. In 20 min: 9.656 km/h.
    assert answer["understood"]["distance_m"] == "3.219 km"
    assert answer["understood"]["runtime_s"] == "20 min"
    assert "9.66" in str(answer["says"])
    assert Session.objects.count() == 1


def test_a_form_of_a_stored_record_says_at_once_what_follows_from_it(sign_in, timed_pass):
    page = sign_in("recorder").get(f"/sessions/passes/{timed_pass.pk}/edit/").content.decode()
    says = page[page.index('class="says"') :]
    # The gate's 100 m over the time of the pass: arithmetic.
    assert f"{3.6 * 100 / timed_pass.duration_s:.1f}" in says


def test_a_slip_is_doubted_at_its_field_with_what_was_meant(sign_in, revision, venue, battery):
    Fitting.objects.create(revision=revision, part=battery, quantity=1, series=1, parallel=1)
    sent = {**GOOD, "revision": revision.pk, "venue": venue.pk, "charge_used_ah": "80", "rest_voltage_start_v": "58"}
    answer = asked(sign_in("recorder"), "/sessions/new/", sent)
    doubt = answer["doubts"]["charge_used_ah"][0]
    assert "12 Ah" in doubt["sentence"]
    assert "8 Ah" in [offer["words"] for offer in doubt["offers"]]
    assert not Session.objects.exists()


def test_without_a_script_a_button_works_it_out(sign_in, session, gate):
    sent = {"gate": gate.pk, "direction": "out", "method": "stopwatch", "duration_s": "8", "valid": "on"}
    answer = sign_in("recorder").post(f"/sessions/{session.pk}/new-pass/", {**sent, "check": "yes"})
    # 100 m in 8 s is 45 km/h: arithmetic.
    assert "45.0" in answer.content.decode()
    assert not Pass.objects.exists()


def test_a_check_of_a_form_that_makes_a_mode_leaves_none(sign_in, revision):
    asked(sign_in("recorder"), "/failures/new/", {"revision": revision.pk, "mode_name": "bolt gone", "severity": "3"})
    assert not FailureMode.objects.exists()


def test_who_may_not_log_may_not_ask_either(sign_in, revision):
    assert sign_in("reader").post("/sessions/new/", {"check": "script"}).status_code == 403


def test_a_check_asks_the_database_as_often_for_ten_sessions_as_for_one(
    sign_in, revision, venue, session, django_assert_max_num_queries
):
    client = sign_in("recorder")
    sent = {**GOOD, "revision": revision.pk, "venue": venue.pk}
    asked(client, "/sessions/new/", sent)
    Session.objects.bulk_create(
        Session(revision=revision, venue=venue, started_at=datetime(2026, 1, day, tzinfo=UTC)) for day in range(1, 11)
    )
    with django_assert_max_num_queries(45):
        asked(client, "/sessions/new/", sent)


# --- Taken over from last time


def test_as_last_time_fills_in_what_was_left_empty_and_stores_nothing(sign_in, revision, session):
    client = sign_in("recorder")
    page = client.get("/sessions/new/").content.decode()
    assert "As last time: Test lake, rider 80 kg, clear ice." in page
    answer = client.post("/sessions/new/", {"revision": revision.pk, "rider_mass_kg": "75", "fill": "yes"})
    form = fields_of(answer)
    assert (form["venue"], form["rider_mass_kg"], form["surface"]) == (str(session.venue_id), "75", "clear_ice")
    assert form["air_temperature_c"] == "", "the weather is measured each time"
    assert Session.objects.count() == 1


# --- Choose or create


def test_a_pass_through_a_new_gate_stores_both(sign_in, session):
    client = sign_in("recorder")
    path = f"/sessions/{session.pk}/new-pass/"
    assert opened(client, path)["gate"] == "new"
    sent = {"gate": "new", "direction": "out", "method": "stopwatch", "duration_s": "7.3", "valid": "on"}
    refused = client.post(path, sent)
    assert set(refused.context["form"].errors) == {"new_gate_name", "new_gate_length_m"}
    client.post(path, {**sent, "new_gate_name": "Straight", "new_gate_length_m": "110 yd"})
    gate = Pass.objects.get().gate
    assert (gate.venue, gate.name) == (session.venue, "Straight")
    assert gate.length_m == pytest.approx(100.584)  # NIST SP 811 (2008), B.8: 1 yd = 0.9144 m


def test_a_new_gate_of_a_known_name_or_beside_a_chosen_one_is_refused(sign_in, session, gate):
    client = sign_in("recorder")
    sent = {"direction": "out", "method": "stopwatch", "duration_s": "7.3", "valid": "on", "new_gate_length_m": "90"}
    for choice, name, field in (("new", "STRAIGHT", "new_gate_name"), (gate.pk, "Other", "gate")):
        answer = client.post(f"/sessions/{session.pk}/new-pass/", {**sent, "gate": choice, "new_gate_name": name})
        assert list(answer.context["form"].errors) == [field]
    assert Gate.objects.count() == 1
    assert not Pass.objects.exists()


def test_a_session_at_a_new_venue_asks_for_its_name(sign_in, revision, venue):
    client = sign_in("recorder")
    sent = {**GOOD, "revision": revision.pk, "venue": "new"}
    assert list(client.post("/sessions/new/", sent).context["form"].errors) == ["new_venue"]
    client.post("/sessions/new/", {**sent, "new_venue": "Back bay"})
    assert Session.objects.get().venue.name == "Back bay"
    assert Venue.objects.count() == 2


def test_a_form_waits_while_a_part_is_made_and_comes_back_with_it_chosen(sign_in, revision):
    client = sign_in("builder")
    path = f"/revisions/{revision.pk}/new-fitting/"
    to_kinds = client.post(path, {"part": "", "quantity": "2", "x_m": "0,7 m", "make": "part"})
    kinds = client.get(to_kinds.url).content.decode()
    (page,) = re.findall(r'href="(/parts/new/motor/[^"]*)"', kinds)
    assert "waits" in client.get(page).content.decode()
    back = client.post(page, NEW_PART)
    form = fields_of(client.get(back.url))
    part = Part.objects.get()
    assert (form["part"], form["quantity"], form["x_m"]) == (str(part.pk), "2", "0,7 m")
    assert client.post(back.url, form).status_code == 302
    assert Fitting.objects.get().part == part


def test_a_form_of_a_stored_record_waits_too_and_still_overwrites_nothing(sign_in, failure):
    client = sign_in("builder")
    path = f"/failures/{failure.pk}/edit/"
    form = opened(client, path)
    to_kinds = client.post(path, {**form, "conditions": "Stood still", "make": "part"})
    page = to_kinds.url.replace("/parts/new/", "/parts/new/motor/")
    Failure.objects.filter(pk=failure.pk).update(severity=2)
    back = client.post(page, NEW_PART)
    client.post(back.url, fields_of(client.get(back.url)))
    failure.refresh_from_db()
    assert (failure.part.name, failure.conditions, failure.severity) == ("Motor A", "Stood still", 2)


@pytest.mark.parametrize("token", ["", "x", "../..", "\x00"])
def test_a_form_that_does_not_wait_is_a_new_one(sign_in, revision, token):
    client = sign_in("builder")
    assert client.get(f"/revisions/{revision.pk}/new-fitting/", {"kept": token, "chosen": "x"}).status_code == 200
    answer = client.post(f"/parts/new/motor/?for={token}".replace("\x00", "%00"), NEW_PART)
    assert answer.url == Part.objects.get().get_absolute_url()


# --- Save, and go on


def test_save_and_add_another_opens_the_same_form(sign_in, session, gate):
    client = sign_in("recorder")
    path = f"/sessions/{session.pk}/new-pass/"
    sent = {**opened(client, path), "gate": gate.pk, "duration_s": "7.3", "then": "another"}
    assert client.post(path, sent).url == path
    assert opened(client, path)["direction"] == "back"


def test_a_part_is_saved_and_fitted(sign_in, revision):
    client = sign_in("builder")
    answer = client.post("/parts/new/motor/", {**NEW_PART, "then": f"fit-{revision.pk}"})
    assert answer.url == f"/revisions/{revision.pk}/new-fitting/?part={Part.objects.get().pk}"
    assert opened(client, answer.url)["part"] == str(Part.objects.get().pk)


def test_the_browser_is_told_which_draft_was_saved(sign_in, db):
    client = sign_in("builder")
    answer = client.post("/vehicles/new/", {"name": "Sled", "draft": "12z34z56"})
    assert answer.url.endswith("/#saved-12z34z56")
    assert "#" not in client.post("/vehicles/new/", {"name": "Kart", "draft": '"><script>'}).url


# --- Photos at once


def test_photos_are_stored_with_their_new_record_and_not_without_it(sign_in, revision, picture_file):
    client = sign_in("builder")
    sent = {"revision": revision.pk, "mode_name": "chain came off", "severity": "3", "photos": [picture_file]}
    refused = client.post("/failures/new/", {**sent, "effect": "none", "severity": "9"})
    assert refused.status_code == 422
    assert not Photo.objects.exists()
    picture_file.seek(0)
    happened = {"effect": "none", "happened_at": "2026-01-17 11:00"}
    assert client.post("/failures/new/", {**sent, **happened}).status_code == 302
    assert Photo.objects.get().failure == Failure.objects.get()
    picture_file.seek(0)
    client.post("/parts/new/motor/", {**NEW_PART, "photos": [picture_file]})
    assert Photo.objects.filter(part=Part.objects.get()).count() == 1


def test_a_file_that_is_no_picture_is_refused_by_name_and_the_record_waits(sign_in, db):
    file = SimpleUploadedFile("x.jpg", b"not a picture", "image/jpeg")
    answer = sign_in("builder").post("/parts/new/motor/", {**NEW_PART, "photos": [file]})
    assert answer.status_code == 422
    assert "not a complete JPEG" in str(answer.context["form"].errors["photos"])
    assert not Part.objects.exists()


def test_the_form_of_a_failure_says_how_often_it_came_before(sign_in, revision, failure):
    sent = {"revision": revision.pk, "mode_name": "Chain came off.", "severity": "2", "effect": "none"}
    answer = asked(sign_in("recorder"), "/failures/new/", {**sent, "happened_at": "2026-02-01 10:00"})
    assert "R1 on " in str(answer["says"])
    assert "can hurt somebody" in str(answer["says"])
    assert Failure.objects.count() == 1


def test_a_part_and_a_card_are_duplicated_into_a_form_that_is_not_stored_yet(sign_in, battery, card):
    client = sign_in("builder")
    form = client.get(f"/parts/new/{battery.category}/?like={battery.pk}").context["form"]
    assert form["name"].value() == f"{battery.name}, copy"
    assert form["capacity_ah"].value() == "12"
    assert Part.objects.count() == 1
    # A part of another kind has other figures, so there is nothing to take over.
    assert client.get(f"/parts/new/motor/?like={battery.pk}").status_code == 404
    TestCardItem.objects.create(card=card, what="Six passes", why="whether it is faster", outcome="skipped")
    form = client.get(f"/test-cards/new/?like={card.pk}").context["form"]
    assert form["items"].value() == "Six passes — whether it is faster"
    assert TestCard.objects.count() == 1
