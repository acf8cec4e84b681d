"""Forms that were open while the record was changed or removed elsewhere: nothing stored and nothing typed is lost."""

import json

import pytest

from buildlog.models import Cause, Failure, FailureMode, Fitting, Modification, Part, Photo, Revision, Vehicle
from buildlog.records.form_merge import BEGAN_FROM
from sessions.models import (
    AcceptedPoint,
    Assumptions,
    Gate,
    GateMark,
    Pass,
    Reading,
    Release,
    Session,
    TestCard,
    TestCardItem,
    Venue,
)
from tests.filled_forms import fields_of, opened

SESSION, PASS, CARD = "/sessions/{}/edit/", "/sessions/passes/{}/edit/", "/test-cards/{}/edit/"


@pytest.fixture
def client(sign_in):
    return sign_in("owner")


@pytest.fixture
def page(session):
    return SESSION.format(session.pk)


def by_the_api(client, kind, record, **changes):
    path = f"/api/v1/{kind}/{record.pk}/"
    data = {**changes, "version": client.get(path).json()["version"]}
    answer = client.patch(path, json.dumps(data), content_type="application/json")
    assert answer.status_code == 200, answer.content


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


# kind: (page, fixture, a field, what is typed, what is stored meanwhile by whom, another field and its value)
FORMS = {
    "vehicle": ("/vehicles/{}/edit/", "vehicle", {"purpose": "Mine"}, {"name": "Theirs"}, {"purpose": "Other"}),
    "revision": ("/revisions/{}/edit/", "revision", {"purpose": "Mine"}, {"date": "2026-01-12"}, {"purpose": "Other"}),
    "part": ("/parts/{}/edit/", "battery", {"notes": "Mine"}, {"mass_kg": 4.75}, {"notes": "Other"}),
    "fitting": ("/revisions/fittings/{}/edit/", "fitting", {"x_m": "0.5"}, {"z_m": 0.3}, {"x_m": 0.9}),
    "piece": ("/pieces/{}/edit/", "individual", {"notes": "Mine"}, {"cycles_before": 3}, {"notes": "Other"}),
    "place of a piece": (
        "/pieces/places/{}/edit/", "individual_fitting", {"removed_on": "2026-03-01"}, None,
        {"removed_on": "2026-03-02"},
    ),
    "upkeep": (
        "/upkeep-items/{}/edit/", "upkeep_item", {"notes": "Mine"}, {"every_days": 30}, {"notes": "Other"},
    ),
    "done": (
        "/upkeep-checks/{}/edit/", "upkeep_check", {"finding": "Mine"}, {"done_by": "Ola"}, {"finding": "Other"},
    ),
    "tilt test": (
        "/revisions/balance-tests/{}/edit/", "balance_test", {"notes": "Mine"}, {"load_kg": 70.0}, {"notes": "Other"},
    ),
    "modification": ("/modifications/{}/edit/", "modification", {"title": "My"}, {"reason": "It"}, {"title": "Other"}),
    "verification": (
        "/verifications/{}/edit/", "verification", {"finding": "Mine"}, {"done_by": "Ola"}, {"finding": "Other"},
    ),
    "failure": ("/failures/{}/edit/", "failure", {"conditions": "Mine"}, {"severity": 2}, {"conditions": "Other"}),
    "venue": ("/venues/{}/edit/", "venue", {"notes": "Mine"}, {"name": "Far lake"}, {"notes": "Other"}),
    "gate": ("/gates/{}/edit/", "gate", {"name": "Mine"}, {"u_distance_m": 0.5}, {"name": "Other"}),
    "session": (SESSION, "session", {"notes": "Mine"}, {"surface": "slush"}, {"notes": "Other"}),
    "pass": (PASS, "timed_pass", {"duration_s": "6"}, {"direction": "back"}, {"duration_s": 7.0}),
    "reading": ("/sessions/readings/{}/edit/", "reading", {"note": "Mine"}, {"current_a": 41.0}, {"note": "Other"}),
    "photo": ("/photos/{}/edit/", "photo", {"caption": "Mine"}, None, {"caption": "Other"}),
    "test card": (CARD, "card_with_a_line", {"limits": "Mine"}, {"title": "Theirs"}, {"limits": "Other"}),
    "trial": ("/trials/{}/edit/", "trial", {"note": "Mine"}, {"planned_days": 8}, {"note": "Other"}),
    "formula": ("/formulas/{}/edit/", "formula", {"notes": "Mine"}, {"unit": "kW"}, {"notes": "Other"}),
    "instrument": ("/instruments/{}/edit/", "instrument", {"notes": "Mine"}, {"name": "Theirs"}, {"notes": "Other"}),
    "assumptions": (
        "/vehicles/{}/assumptions/", "assumptions", {"u_voltage_v": "0.2"}, {"u_press_s": 0.3}, {"u_voltage_v": 0.4},
    ),
}  # fmt: skip


@pytest.fixture
def assumptions(vehicle):
    return Assumptions.objects.create(vehicle=vehicle)


@pytest.fixture
def card_with_a_line(card):
    TestCardItem.objects.create(card=card, what="Coast down")
    return card


@pytest.fixture
def open_form(request, client):
    """A kind's record, the address of its form, and the form as it was opened."""

    def open_it(kind):
        path, fixture, *_ = FORMS[kind]
        record = request.getfixturevalue(fixture)
        path = path.format(record.pk)
        return record, path, opened(client, path)

    return open_it


def stored(record):
    return {column.attname: getattr(type(record).objects.get(pk=record.pk), column.attname)
            for column in record._meta.concrete_fields}  # fmt: skip


@pytest.mark.parametrize("kind", [kind for kind, values in FORMS.items() if values[3]])
def test_every_form_writes_what_was_changed_in_it_and_nothing_else(kind, client, open_form):
    record, path, form = open_form(kind)
    typed, elsewhere = FORMS[kind][2:4]
    type(record).objects.filter(pk=record.pk).update(**elsewhere)
    before = stored(record)
    answer = client.post(path, {**form, **typed})
    assert answer.status_code == 302
    after = stored(record)
    assert {name for name in after if after[name] != before[name]} == set(typed)


@pytest.mark.parametrize("kind", FORMS)
def test_every_form_shows_both_versions_of_a_conflict_and_keeps_what_was_typed(kind, client, open_form):
    record, path, form = open_form(kind)
    typed, other = FORMS[kind][2], FORMS[kind][4]
    type(record).objects.filter(pk=record.pk).update(**other)
    before = stored(record)
    answer = client.post(path, {**form, **typed})
    [name], [text], [value] = typed, typed.values(), other.values()
    assert answer.status_code == 409
    assert stored(record) == before
    assert fields_of(answer)[name] == text
    [(conflict, _)] = answer.context["attempt"].conflicts
    [change] = [item for item in conflict.changes if item.name == name]
    assert change.stored.split()[0] == f"{value:g}" if isinstance(value, float) else change.stored == value
    assert client.post(path, {**fields_of(answer), conflict.choice_name: "mine"}).status_code == 302
    assert stored(record) != before


@pytest.mark.parametrize("kind", FORMS)
def test_an_untouched_form_changes_nothing(kind, client, open_form):
    record, path, form = open_form(kind)
    before = stored(record)
    assert client.post(path, form).status_code == 302
    assert stored(record) == before


REMADE = [kind for kind in FORMS if kind not in ("photo", "assumptions")]


@pytest.mark.parametrize("kind", REMADE)
def test_what_was_typed_goes_into_a_new_record_where_the_old_one_was_removed(kind, client, open_form):
    record, path, form = open_form(kind)
    if kind == "vehicle":
        record.revisions.all().delete()
    record.delete()
    record.pk = path.split("/")[-3]
    typed = FORMS[kind][2]
    answer = client.post(path, {**form, **typed})
    assert answer.status_code == 409
    assert "This record was deleted elsewhere while its form was open" in answer.content.decode()
    assert not type(record).objects.filter(pk=record.pk).exists()
    [name], [text] = typed, typed.values()
    assert fields_of(answer)[name] == text
    made = client.post(path, fields_of(answer))
    assert made.status_code == 302
    assert client.get(made.url).status_code == 200
    value = getattr(type(record).objects.get(pk=record.pk), name)
    assert value == float(text) if isinstance(value, float) else str(value) == text


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/sessions/passes/{timed_pass}/edit/", {"invalid_reason": "Braked before the mark"}),
        ("/sessions/{session}/new-reading/", {"note": "Braked before the mark"}),
        ("/photos/{photo}/edit/", {"caption": "Braked before the mark"}),
    ],
)
def test_what_was_typed_is_shown_where_all_it_belonged_to_is_gone(path, form, client, request, session, timed_pass):
    name = path[path.find("{") + 1 : path.find("}")]
    path = path.replace(f"{{{name}}}", str(request.getfixturevalue(name).pk))
    data = opened(client, path)
    session.delete()
    answer = client.post(path, {**data, **form, "password": "frost-and-chain-77"})
    words = answer.content.decode()
    assert answer.status_code == 404
    assert "What you wrote was not saved" in words
    assert "Braked before the mark" in words
    assert "frost-and-chain" not in words
    assert "began" not in words


def test_a_stranger_who_sends_a_form_into_nothing_is_shown_nothing(db, session):
    from django.test import Client

    assert b"frost" not in Client().post("/nowhere/", {"notes": "frost"}).content


def test_frames_go_with_the_time_they_were_counted_from(client, timed_pass):
    path = f"/sessions/passes/{timed_pass.pk}/edit/"
    form = opened(client, path)
    Pass.objects.update(duration_s=9.0)
    answer = client.post(path, {**form, "frames": "30"})
    assert answer.status_code == 409
    client.post(path, {**fields_of(answer), "keep_method": "mine"})
    assert Pass.objects.get().duration_s == pytest.approx(5.5)


def test_marks_that_were_not_touched_stay_the_same_rows(client, gate):
    GateMark.objects.filter(gate=gate, position_m=100).update(position_m=100.12345678901)
    before = list(gate.marks.values())
    path = f"/gates/{gate.pk}/edit/"
    client.post(path, {**opened(client, path), "name": "Long straight"})
    assert list(gate.marks.values()) == before
    assert Gate.objects.get().name == "Long straight"


def test_marks_that_two_people_moved_are_shown_in_both_versions(client, gate):
    path = f"/gates/{gate.pk}/edit/"
    form = opened(client, path)
    by_the_api(client, "gates", gate, marks=[{"position_m": 0}, {"position_m": 110}])
    answer = client.post(path, {**form, "marks": "0\r\n105"})
    assert answer.status_code == 409
    assert "110 m" in answer.content.decode()
    assert fields_of(answer)["marks"] == "0\r\n105"
    assert Gate.objects.get().length_m == 110.0
    client.post(path, {**fields_of(answer), "keep_method": "mine"})
    assert Gate.objects.get().length_m == 105.0


def test_a_specification_keeps_the_digits_that_the_form_does_not_show(client, battery):
    exact = 12.123456789012345
    battery.specification["capacity_ah"] = exact
    battery.save()
    path = f"/parts/{battery.pk}/edit/"
    form = opened(client, path)
    by_the_api(client, "parts", battery, notes="Theirs")
    assert client.post(path, {**form, "full_voltage_v": "58.7"}).status_code == 302
    battery.refresh_from_db()
    assert (battery.specification["capacity_ah"], battery.specification["full_voltage_v"]) == (exact, 58.7)
    assert battery.notes == "Theirs"


def test_lines_of_a_card_keep_the_ticks_that_came_meanwhile(client, card, session):
    TestCardItem.objects.create(card=card, what="Coast down", position=1)
    path = f"/test-cards/{card.pk}/edit/"
    form = opened(client, path)
    TestCardItem.objects.update(outcome="done", session=session)
    client.post(path, {**form, "items": "Six passes\r\nCoast down"})
    assert list(card.items.values_list("what", "outcome")) == [("Six passes", "open"), ("Coast down", "done")]


def test_answers_of_a_modification_are_looked_at_like_any_field(client, failure, revision):
    newer = Revision.objects.create(vehicle=revision.vehicle, number=2, parent=revision, date="2026-02-01")
    modification = Modification.objects.create(revision=newer, title="Spring")
    path = f"/modifications/{modification.pk}/edit/"
    form = opened(client, path)
    modification.answers.add(failure)
    client.post(path, {**form, "reason": "Cold"})
    assert list(Modification.objects.get().answers.all()) == [failure]


def test_a_cause_that_was_replaced_meanwhile_is_not_rewritten(client, failure, vehicle):
    first = Cause.objects.create(vehicle=vehicle, statement="The spring is weak")
    second = Cause.objects.create(vehicle=vehicle, statement="The tensioner sticks")
    Failure.objects.update(cause=first)
    path = f"/failures/{failure.pk}/cause/"
    form = opened(client, path)
    Failure.objects.update(cause=second)
    answer = client.post(path, {**form, "statement": "The spring is weak in the cold"})
    words = answer.content.decode()
    assert answer.status_code == 409
    assert "The tensioner sticks" in words
    assert "The spring is weak in the cold" in words
    assert set(Cause.objects.values_list("statement", flat=True)) == {"The spring is weak", "The tensioner sticks"}
    assert client.post(path, {**fields_of(answer), "keep_cause": "stored"}).status_code == 302
    failure.refresh_from_db()
    assert failure.cause == second


def test_a_role_that_another_owner_changed_meanwhile_is_not_overwritten(client, make_account):
    ilo = make_account("recorder", "ilo")
    path = f"/people/{ilo.pk}/"
    form = opened(client, path)
    type(ilo).objects.filter(pk=ilo.pk).update(role="reader")
    words = client.post(path, {**form, "form": "role", "role": "builder"}, follow=True).content.decode()
    ilo.refresh_from_db()
    assert ilo.role == "reader"
    assert "ilo is here as reader now" in words
    assert "You chose builder" in words
    assert client.post(path, {**opened(client, path), "role": "builder"}).status_code == 302
    ilo.refresh_from_db()
    assert ilo.role == "builder"


def test_choosing_units_writes_nothing_else_of_the_account(client, make_account, monkeypatch):
    """The account as the request read it may be old: a role given at this moment stays."""
    from buildlog.models import Account
    from buildlog.people import account_pages

    before = account_pages.UnitsForm.is_valid

    def meanwhile(form):
        Account.objects.update(first_name="Ilo")
        return before(form)

    monkeypatch.setattr(account_pages.UnitsForm, "is_valid", meanwhile)
    client.post("/account/", {"form": "units", "unit_system": "imperial"})
    account = Account.objects.get()
    assert (account.unit_system, account.first_name) == ("imperial", "Ilo")


def test_assumptions_nobody_stored_yet_are_compared_with_the_defaults(client, vehicle):
    path = f"/vehicles/{vehicle.pk}/assumptions/"
    form = opened(client, path)
    Assumptions.objects.create(vehicle=vehicle, u_press_s=0.3, u_voltage_v=0.4)
    answer = client.post(path, {**form, "u_voltage_v": "0.2"})
    assert answer.status_code == 409
    client.post(path, {**fields_of(answer), "keep_u_voltage_v": "mine"})
    rows = Assumptions.objects.get()
    assert (rows.u_press_s, rows.u_voltage_v) == (0.3, 0.2)


@pytest.fixture
def failing(revision):
    """A revision with two open points: failures of category II."""
    Revision.objects.filter(pk=revision.pk).update(status="in_build")
    for name in ("brake faded", "steering came loose"):
        Failure.objects.create(revision=revision, mode=FailureMode.called(name), severity=2)
    return revision


def acceptances(client, revision):
    """The forms on the page of a release by which points are accepted."""
    return [
        {"point": row.point.key, "sentence": row.point.sentence}
        for row in client.get(f"/revisions/{revision.pk}/release/").context["state"].points
    ]


def test_a_point_that_says_something_else_meanwhile_is_not_accepted_and_the_reason_stays(client, failing):
    form, _ = acceptances(client, failing)
    FailureMode.objects.filter(name="brake faded").update(name="brake faded hot")
    FailureMode.objects.filter(name="steering came loose").update(name="steering came off")
    path = f"/revisions/{failing.pk}/release/accept/"
    answer = client.post(path, {**form, "reason": "Walking pace on the shore"})
    words = answer.content.decode()
    assert answer.status_code == 409
    assert "says something else now" in words
    assert "Walking pace on the shore</textarea>" in words
    assert not AcceptedPoint.objects.exists()
    [again] = [row for row in acceptances(client, failing) if row["point"] == form["point"]]
    assert client.post(path, {**again, "reason": "Walking pace on the shore"}).status_code == 302
    assert AcceptedPoint.objects.get().sentence == again["sentence"]


def test_a_point_that_is_settled_meanwhile_is_not_accepted_and_what_was_typed_is_shown(client, failing):
    form, _ = acceptances(client, failing)
    Failure.objects.all().delete()
    answer = client.post(f"/revisions/{failing.pk}/release/accept/", {**form, "reason": "Walking pace on the shore"})
    assert answer.status_code == 409
    assert "not open any more, so nothing was accepted. You wrote: Walking pace" in answer.content.decode()
    assert not AcceptedPoint.objects.exists()


def test_a_revision_is_not_released_with_a_point_that_its_page_did_not_show(client, failing):
    for form in acceptances(client, failing):
        client.post(f"/revisions/{failing.pk}/release/accept/", {**form, "reason": "Walking pace"})
    path = f"/revisions/{failing.pk}/release/"
    seen = client.get(path).context["state"].seen
    Failure.objects.create(revision=failing, mode=FailureMode.called("chain came off"), severity=2)
    assert client.post(f"{path}ride/", {"seen": seen}).status_code == 302
    assert not Release.objects.exists()
    [new] = [row for row in acceptances(client, failing) if "chain" in row["sentence"]]
    client.post(f"{path}accept/", {**new, "reason": "Accepted by somebody else meanwhile"})
    answer = client.post(f"{path}ride/", {"seen": seen})
    assert (answer.status_code, "since this page was opened" in answer.content.decode()) == (409, True)
    assert "Accepted by somebody else meanwhile" in answer.content.decode()
    assert not Release.objects.exists()
    assert client.post(f"{path}ride/", {"seen": answer.context["state"].seen}).status_code == 302
    assert len(Release.objects.get().points) == 3


def test_a_track_s_length_in_the_address_is_a_change_and_not_a_beginning(client, session):
    path = f"/sessions/{session.pk}/edit/?distance_m=7000"
    form = opened(client, path)
    assert form["distance_m"] == "7"
    client.post(path, form)
    session.refresh_from_db()
    assert (session.distance_m, session.distance_method) == (7000.0, "satellite")


@pytest.mark.parametrize("model", [Vehicle, Part, Fitting, Venue, Reading, Photo, TestCard])
def test_a_form_of_no_record_is_not_found(model, client, db):
    from uuid import uuid4

    pages = {Fitting: "revisions/fittings", Reading: "sessions/readings", TestCard: "test-cards"}
    path = f"/{pages.get(model, f'{model._meta.model_name}s')}/{uuid4()}/edit/"
    assert client.get(path).status_code == 404
    assert client.post(path, {}).status_code == 404


@pytest.mark.parametrize(
    "value", ["\x00", "9" * 5000, "<script>alert(1)</script>", "‮", "[]", "é" * 300, "2026-13-45T99:99"]
)
@pytest.mark.parametrize("kind", FORMS)
def test_whatever_a_form_says_it_began_from_breaks_nothing(kind, value, client, open_form):
    record, path, form = open_form(kind)
    names = [name for name in form if name not in (BEGAN_FROM, "csrfmiddlewaretoken")]
    forged = {
        "shown": dict.fromkeys(names, value),
        "units": value,
        "belongs_to": {"session": value},
        "undecided": names,
    }
    typed = [dict.fromkeys(names, value), form, {f"keep_{name}": value for name in names}]
    for values in typed:
        for began in (form[BEGAN_FROM], json.dumps(forged), json.dumps({**forged, "shown": {names[0]: [value, {}]}})):
            answer = client.post(path, {**form, **values, BEGAN_FROM: began})
            assert answer.status_code in (302, 409, 422)
            assert b"<script>alert(1)</script>" not in answer.content
    if kind in REMADE and kind != "vehicle":
        type(record).objects.filter(pk=record.pk).delete()
        answer = client.post(path, {**form, BEGAN_FROM: json.dumps(forged), "make_anew": "yes"})
        assert answer.status_code in (302, 404, 409, 422)
