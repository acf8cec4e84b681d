"""The loop of a failure: which state follows from what is recorded, whatever is edited, moved or removed later."""

import html
import json

import pytest

from buildlog.failures.loop import IllegalTransition, States, sign_held, standing_of
from buildlog.failures.queries import hazards_of
from buildlog.models import (
    Cause,
    Failure,
    FailureMode,
    Modification,
    Revision,
    SignOff,
)
from calc.failure_state import State
from sessions.models import Assumptions, Session
from tests.failures.states import answer, in_state

# Which state follows


def test_a_state_needs_no_step_and_is_nowhere_stored(came, later):
    failure, second = came(), later(2)
    assert failure.state == State.OPEN
    fix = answer(failure, second)
    assert failure.state == State.OPEN  # a fix on paper is on no machine
    Revision.objects.filter(pk=second.pk).update(status="in_build")
    failure.refresh_from_db()
    assert failure.state == State.FIX_FITTED
    Modification.objects.filter(pk=fix.pk).delete()
    failure.refresh_from_db()
    assert failure.state == State.OPEN
    assert "state" not in {column.name for column in Failure._meta.concrete_fields}


def test_from_fitted_to_watching_by_riding(came, later, ride):
    failure, second = came(), later(2, "riding")
    answer(failure, second)
    assert failure.state == State.FIX_FITTED
    outing = ride(second, 5, 1)
    failure.refresh_from_db()
    assert failure.state == State.WATCHING
    outing.delete()
    failure.refresh_from_db()
    assert failure.state == State.FIX_FITTED


def test_one_fix_answers_all_failures_of_its_mode(came, later, ride):
    named, other = came(), came(day=1)
    second = later(2, "riding")
    answer(named, second)
    ride(second, 5, 2)
    other.refresh_from_db()
    assert other.state == State.WATCHING


def test_held_only_when_riding_shows_it(came, later, ride, revision):
    came(), came()
    failure = came()
    ride(revision, 60, 0)
    second = later(2, "riding")
    answer(failure, second)
    ride(second, 30, 10)
    # By hand: 3 failures in 60 km, one fix on the page: 2 · 60 km · ((1/0.3)^(1/3) − 1) = 59.3 km.
    assert standing_of(failure).shown.proof.needed == pytest.approx(59_260, abs=5)
    with pytest.raises(IllegalTransition, match="29 km more"):
        sign_held(failure, "It feels right.")
    ride(second, 30, 11)
    signed = sign_held(failure, "Ridden far enough without it.")
    assert (signed.kind, signed.why, signed.failures, signed.fixes) == ("held", "Ridden far enough without it.", 3, 1)
    assert {row.state for row in Failure.objects.all()} == {State.HELD}


def test_more_fixes_on_the_page_ask_for_more_riding(came, later, ride, revision):
    failure = came()
    ride(revision, 60, 0)
    second = later(2, "riding")
    answer(failure, second)
    for index in range(3):
        answer(came(f"mode {index}"), second, f"Fix {index}")
    ride(second, 30, 10)
    failure.refresh_from_db()
    # By hand: four fixes, one failure: 2 · 60 km · (4/0.3 − 1) = 1480 km.
    assert standing_of(failure).shown.proof.needed == pytest.approx(1_480_000)


def test_a_machine_may_ask_for_more_and_never_for_less(came, later, ride, revision, vehicle):
    failure = came()
    ride(revision, 60, 0)
    second = later(2, "riding")
    answer(failure, second)
    ride(second, 60, 10)
    assumptions = Assumptions.objects.create(vehicle=vehicle, held_rate_fraction=1.0, held_confidence=0.5)
    failure = Failure.objects.select_related("revision__vehicle").get(pk=failure.pk)
    # By hand: 2 · 60 km · (1/0.3 − 1) = 280 km, as without assumptions.
    assert standing_of(failure).shown.proof.needed == pytest.approx(280_000)
    assumptions.held_rate_fraction, assumptions.held_confidence = 0.25, 0.95
    assumptions.save()
    failure = Failure.objects.select_related("revision__vehicle").get(pk=failure.pk)
    # By hand: 60 km / 0.25 · (20 − 1) = 4560 km.
    assert standing_of(failure).shown.proof.needed == pytest.approx(4_560_000)


@pytest.mark.parametrize("state", [State.WATCHING, State.HELD])
def test_a_recurrence_reopens_and_takes_the_word_back(state, came, later, ride, revision, sign_in):
    failure = in_state(state, came, later, ride, revision)
    fix = failure.answered_by.get()
    again = came(on=fix.revision, day=3)
    failure.refresh_from_db()
    assert (failure.state, again.state) == (State.RECURRED, State.OPEN)
    page = html.unescape(sign_in("reader").get(f"/failures/{failure.pk}/").content.decode())
    assert "although “Idler spring” on R2 was fitted" in page
    # And round again: a new modification that answers either of them sets both watching.
    third = Revision.objects.create(vehicle=revision.vehicle, number=3, date="2026-03-01", status="riding")
    answer(again, third, "Wider idler")
    ride(third, 5, 4)
    failure.refresh_from_db(), again.refresh_from_db()
    assert (failure.state, again.state) == (State.WATCHING, State.WATCHING)
    came(on=third, day=9)
    failure.refresh_from_db()
    assert failure.state == State.RECURRED


def test_a_recurrence_on_the_wrong_revision_corrected_leaves_nothing(came, later, ride, revision):
    """Seen in issue 21: it left the fix disproved for good."""
    failure = in_state(State.HELD, came, later, ride, revision)
    again = came(on=failure.answered_by.get().revision, day=3)
    again.revision = revision
    again.save()
    failure.refresh_from_db(), again.refresh_from_db()
    # The word was signed of one failure; both were before the fix, and riding still shows it.
    assert (failure.state, again.state) == (State.HELD, State.HELD)


def test_a_failure_before_the_fix_or_of_another_kind_is_no_recurrence(came, later, ride, revision):
    failure = in_state(State.WATCHING, came, later, ride, revision)
    came(day=3)
    came("belt slipped", on=failure.answered_by.get().revision, day=3)
    failure.refresh_from_db()
    assert failure.state == State.WATCHING


def test_one_cause_behind_two_modes_is_one_failure(came, later, ride, revision, vehicle):
    failure = in_state(State.WATCHING, came, later, ride, revision)
    failure.cause = Cause.objects.create(vehicle=vehicle, statement="The frame flexes.")
    failure.save()
    other = came("tensioner broke", on=failure.answered_by.get().revision, day=3)
    failure.refresh_from_db()
    assert failure.state == State.WATCHING
    other.cause = failure.cause
    other.save()
    failure.refresh_from_db()
    assert failure.state == State.RECURRED


def test_a_recurrence_taken_back_sets_the_fix_watching_again(came, later, ride, revision):
    failure = in_state(State.RECURRED, came, later, ride, revision)
    again = Failure.objects.exclude(pk=failure.pk).get()
    for mode, state in (("belt slipped", State.WATCHING), ("chain came off", State.RECURRED)):
        again.mode = FailureMode.called(mode)
        again.save()
        failure.refresh_from_db()
        assert failure.state == state
    again.delete()
    failure.refresh_from_db()
    assert failure.state == State.WATCHING


def test_what_shows_a_fix_may_be_taken_away_again(came, later, ride, revision, sign_in):
    """Held needs a person and evidence: without its rides the word is no longer borne out, and the page says so."""
    failure = in_state(State.HELD, came, later, ride, revision)
    Session.objects.filter(revision__number=2).update(distance_m=5000.0, runtime_s=900.0)
    failure.refresh_from_db()
    assert failure.state == State.WATCHING
    page = html.unescape(sign_in("reader").get(f"/failures/{failure.pk}/").content.decode())
    assert "and what is recorded does not show it any more" in page
    Session.objects.filter(revision__number=2).update(distance_m=50_000.0, runtime_s=9_000.0)
    failure.refresh_from_db()
    assert failure.state == State.HELD


def test_a_word_keeps_the_bar_of_its_day(came, later, ride, revision):
    """A fix that was signed among one is not taken back because the page lists more of them later."""
    came(), came()
    failure = came()
    ride(revision, 60, 0)
    second = later(2, "riding")
    answer(failure, second)
    ride(second, 60, 10)
    sign_held(failure, "Ridden far enough.")
    for index in range(9):
        answer(came(f"mode {index}"), second, f"Fix {index}")
    failure.refresh_from_db()
    assert failure.state == State.HELD


def test_the_phone_that_records_a_recurrence_reopens_it_too(sign_in, came, later, ride, revision):
    failure = in_state(State.HELD, came, later, ride, revision)
    second = Revision.objects.get(number=2)
    body = {
        "revision": str(second.pk),
        "mode_name": "Chain came off.",
        "severity": 3,
        "happened_at": "2026-02-01T10:00Z",
    }
    path = "/api/v1/failures/10000000-0000-4000-8000-000000000001/"
    answer_ = sign_in("recorder").put(path, json.dumps(body), content_type="application/json")
    assert answer_.status_code == 201
    assert answer_.json()["recurrence_of"] == str(failure.pk)
    assert answer_.json()["state"] == "open"
    failure.refresh_from_db()
    assert failure.state == State.RECURRED


def test_the_api_lists_the_states_of_its_failures(sign_in, came, later, ride, revision):
    failure = in_state(State.RECURRED, came, later, ride, revision)
    client = sign_in("reader")
    listed = {row["id"]: row for row in client.get("/api/v1/failures/").json()["results"]}
    again = str(Failure.objects.exclude(pk=failure.pk).get().pk)
    assert (listed[str(failure.pk)]["state"], listed[again]["state"]) == ("recurred", "open")
    assert (listed[str(failure.pk)]["recurrence_of"], listed[again]["recurrence_of"]) == (None, str(failure.pk))
    single = client.get(f"/api/v1/failures/{again}/").json()
    assert {name: single[name] for name in listed[again]} == listed[again]


def test_what_is_recorded_while_a_page_is_read_is_open(vehicle, failure, came):
    """Two people write at once: a page had its states, and a failure that came since was a key it did not know."""
    states = States([vehicle])
    since = came("steering came off")
    Failure.objects.filter(pk=since.pk).update(severity=1)
    states.note_on([since])
    assert (since.standing.state, since.fixed_on) == (State.OPEN, set())
    assert states.first_of([since]) == {}
    [hazard] = [hazard for hazard in hazards_of([vehicle.pk], states)[vehicle.pk] if hazard.key == since.pk]
    assert not hazard.fixed_on


def test_a_state_cannot_be_written(sign_in, failure):
    path = f"/api/v1/failures/{failure.pk}/"
    sign_in("owner").patch(path, json.dumps({"state": "held"}), content_type="application/json")
    failure.refresh_from_db()
    assert failure.state == State.OPEN


def test_the_page_says_who_when_and_why(sign_in, came, later, ride, revision):
    failure = in_state(State.WATCHING, came, later, ride, revision)
    client = sign_in("builder")
    assert client.post(f"/failures/{failure.pk}/held/", {"why": "  "}).status_code == 302
    assert not SignOff.objects.exists()
    client.post(f"/failures/{failure.pk}/held/", {"why": "A thousand kilometres."})
    page = client.get(f"/failures/{failure.pk}/").content.decode()
    assert "Signed as held by builder on" in page
    assert "A thousand kilometres." in page
    answer_ = client.post(f"/failures/{failure.pk}/held/", {"why": "again"}, follow=True)
    assert "It is called held already." in answer_.content.decode()
    word = SignOff.objects.get()
    assert client.post(f"/sign-offs/{word.pk}/remove/").status_code == 302
    failure.refresh_from_db()
    assert failure.state == State.WATCHING
