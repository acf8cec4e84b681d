"""What a form holds besides fields: marks, lines, specifications, roles, and points of a release."""

import pytest

from buildlog.models import Cause, Failure, FailureMode, Modification, Revision
from sessions.models import (
    AcceptedPoint,
    Assumptions,
    Gate,
    GateMark,
    Pass,
    Release,
    TestCardItem,
)
from tests.filled_forms import fields_of, opened
from tests.records.stale_forms.pages import by_the_api


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
