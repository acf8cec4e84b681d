"""Passes made of the marks of two phones."""

import json
import uuid
from datetime import timedelta

import pytest

from sessions.models import GateMark, MarkTap, Pass
from sessions.outings.models.two_phones import PAIRED_ELSE, unpaired_marks


@pytest.fixture
def at(session, gate):
    """Makes a mark so many seconds into the session."""
    GateMark.objects.filter(gate=gate).delete()
    GateMark.objects.bulk_create([GateMark(gate=gate, position_m=at_m) for at_m in (0.0, 100.0)])

    def make(seconds, end, u_s=0.1, **more):
        moment = session.started_at + timedelta(seconds=seconds)
        return MarkTap.objects.create(
            session=session, gate=gate, at_last_mark=end == "last", at=moment, u_s=u_s, **more
        )

    return make


def passes():
    return list(Pass.objects.filter(method=Pass.Method.TWO_PHONES).order_by("sequence"))


def test_the_pass_is_made_where_both_marks_have_arrived_in_any_order(at):
    at(70.0, "last", u_s=0.04)
    assert passes() == []
    at(60.0, "first", u_s=0.03)
    [made] = passes()
    # By hand: 3, 4, 5.
    assert (made.duration_s, made.direction, made.time_into_session_s) == (10.0, "out", 60.0)
    assert made.u_duration_s == pytest.approx(0.05)
    assert made.valid
    at(130.0, "last")
    at(142.0, "first")
    assert [(timed_pass.duration_s, timed_pass.direction, timed_pass.number) for timed_pass in passes()] == [
        (10.0, "out", 1),
        (12.0, "back", 2),
    ]


def test_a_mark_that_comes_late_takes_back_the_pass_that_it_contradicts(at, session):
    at(60.0, "first")
    at(90.0, "last")
    [made] = passes()
    late = at(75.0, "last")
    wrong, right = sorted(passes(), key=lambda item: -item.duration_s)
    assert (wrong.pk, wrong.valid, wrong.invalid_reason) == (made.pk, False, PAIRED_ELSE)
    assert (right.duration_s, right.valid) == (15.0, True)
    assert [tap.at for tap in unpaired_marks(session)] == [session.started_at + timedelta(seconds=90)]
    late.delete()
    assert {timed_pass.duration_s: timed_pass.valid for timed_pass in passes()} == {30.0: True, 15.0: False}


def test_a_mark_that_does_not_count_makes_no_pass(at):
    at(60.0, "first", valid=False, invalid_reason="The phone slept.")
    at(70.0, "last")
    assert passes() == []


def test_a_corrected_mark_corrects_its_pass(at):
    first = at(60.0, "first")
    at(70.0, "last")
    first.u_s = 0.3
    first.save()
    assert passes()[0].u_duration_s == pytest.approx((0.3**2 + 0.1**2) ** 0.5)


def test_a_pass_that_was_struck_out_stays_out_and_one_that_was_deleted_stays_deleted(at, client, make_account):
    client.force_login(make_account("owner"))
    at(60.0, "first")
    at(70.0, "last")
    [made] = passes()
    Pass.objects.filter(pk=made.pk).update(valid=False, invalid_reason="Braked.")
    at(130.0, "last")
    assert passes()[0].invalid_reason == "Braked."
    assert client.delete(f"/api/v1/passes/{made.pk}/").status_code == 200
    at(142.0, "first")
    assert [timed_pass.duration_s for timed_pass in passes()] == [12.0]


def test_two_phones_send_their_marks_and_the_pass_is_made_once(session, gate, at, client, make_account):
    client.force_login(make_account("recorder"))
    for end, seconds in ((False, 10), (True, 18)):
        row = {
            "session": str(session.pk), "gate": str(gate.pk), "at_last_mark": end, "u_s": 0.11,
            "at": (session.started_at + timedelta(seconds=seconds)).isoformat(),
        }  # fmt: skip
        key = uuid.uuid4()
        for _ in range(2):
            answer = client.put(f"/api/v1/mark-taps/{key}/", json.dumps(row), content_type="application/json")
            assert answer.status_code in (200, 201), answer.json()
    listed = client.get(f"/api/v1/passes/?session={session.pk}&gate={gate.pk}").json()["results"]
    assert [(item["method"], item["duration_s"]) for item in listed] == [("two_phones", 8.0)]
    assert "Two phones" in client.get(session.get_absolute_url()).content.decode()


def test_the_server_tells_both_times_of_a_comparison(client, make_account):
    # RFC 5905, 8: T2 at arrival, T3 at departure.
    assert client.get("/api/v1/field/clock/").status_code in (401, 403)
    client.force_login(make_account("recorder"))
    answer = client.get("/api/v1/field/clock/")
    assert answer.json()["received_s"] <= answer.json()["answered_s"]
    assert answer["Cache-Control"] == "no-store"


def test_marks_without_a_pass_stand_in_the_page(at, session, client, make_account):
    client.force_login(make_account("reader"))
    at(60.0, "first")
    page = client.get(session.get_absolute_url()).content.decode()
    assert "1 mark of two phones fits no other" in page
