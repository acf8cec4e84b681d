"""Evidence other than riding, and modes that are closed without a fix."""

import pytest
from django.db import IntegrityError, transaction

from buildlog.failures.loop import IllegalTransition, close_without_fix, sign_held
from buildlog.models import (
    Failure,
    SignOff,
    Verification,
)
from calc.failure_state import State
from tests.failures.states import answer, in_state, verify


def severe(failure, severity):
    Failure.objects.filter(pk=failure.pk).update(severity=severity)
    failure.refresh_from_db()


@pytest.mark.parametrize("severity", [1, 2])
@pytest.mark.parametrize(
    ("kinds", "suffices"),
    [
        ([], False), (["inspection"], False), (["calculation"], False), (["bench_test"], False),
        (["calculation", "inspection"], True), (["bench_test", "inspection"], True),
    ],
)  # fmt: skip
def test_what_can_hurt_takes_a_calculation_or_a_stepped_test_and_an_inspection(
    severity, kinds, suffices, came, later, ride, revision
):
    """However far it was ridden. Severity I and II are not shown by riding (design section 9)."""
    failure = in_state(State.WATCHING, came, later, ride, revision)
    severe(failure, severity)
    for kind in kinds:
        verify(failure, kind)
    failure.refresh_from_db()
    assert failure.standing.may_be_held == suffices
    if not suffices:
        with pytest.raises(IllegalTransition, match="Riding alone does not show a fix"):
            sign_held(failure, "It feels right.")


def test_an_inspection_before_the_first_ride_is_none_after_riding(came, later, ride, revision):
    failure = in_state(State.WATCHING, came, later, ride, revision)
    severe(failure, 2)
    verify(failure, "calculation")
    early = verify(failure, "inspection", day="2026-01-01")
    failure.refresh_from_db()
    assert failure.standing.shown.lacks == ("an inspection after riding with it",)
    Verification.objects.filter(pk=early.pk).update(done_on="2026-01-11")
    failure.refresh_from_db()
    assert failure.standing.may_be_held


@pytest.mark.parametrize("kind", ["inspection", "bench_test", "calculation"])
def test_what_is_marginal_takes_one_of_these_or_riding(kind, came, later, ride, revision):
    failure = came()
    ride(revision, 100, 0)
    second = later(2, "riding")
    answer(failure, second)
    ride(second, 5, 1)
    assert not failure.standing.may_be_held
    verify(failure, kind)
    failure.refresh_from_db()
    assert failure.standing.may_be_held
    sign_held(failure, "Looked it over.")
    failure.refresh_from_db()
    assert failure.state == State.HELD
    Verification.objects.all().delete()
    failure.refresh_from_db()
    assert failure.state == State.WATCHING


def test_evidence_is_written_down_on_a_page(sign_in, came, later, ride, revision):
    failure = in_state(State.WATCHING, came, later, ride, revision)
    client, fix = sign_in("recorder"), failure.answered_by.get()
    path = f"/modifications/{fix.pk}/new-verification/"
    assert 'value="recorder"' in client.get(path).content.decode()
    refused = client.post(path, {"kind": "inspection", "done_on": "2026-03-01", "done_by": "Ida", "finding": ""})
    assert refused.status_code == 422
    sent = {"kind": "inspection", "done_on": "2026-03-01", "done_by": "Ida", "finding": "Weld without a crack."}
    assert client.post(path, sent).status_code == 302
    page = client.get(f"/failures/{failure.pk}/").content.decode()
    assert "Inspection, 2026-03-01, Ida</span>" in page
    assert "Weld without a crack." in page
    stored = Verification.objects.get()
    assert client.post(f"/verifications/{stored.pk}/remove/").status_code == 302
    assert not Verification.objects.exists()


def test_evidence_goes_over_the_api(sign_in, came, later, ride, revision):
    failure = in_state(State.WATCHING, came, later, ride, revision)
    path = "/api/v1/verifications/10000000-0000-4000-8000-000000000002/"
    body = {"modification": str(failure.answered_by.get().pk), "kind": "calculation", "done_on": "2026-03-01",
            "done_by": "Ida", "finding": "0.53 to 0.66 g."}  # fmt: skip
    client = sign_in("recorder")
    assert client.put(path, body, content_type="application/json").status_code == 201
    assert client.put(path, {**body, "finding": ""}, content_type="application/json").status_code in (400, 428)
    assert Verification.objects.get().finding == "0.53 to 0.66 g."
    sign_held(failure, "Shown.")
    words = client.get("/api/v1/sign-offs/").json()["results"]
    assert [word["kind"] for word in words] == ["held"]
    assert client.post("/api/v1/sign-offs/", {}).status_code in (403, 405)


# Closed without a fix


def test_a_mode_is_closed_without_a_fix_until_it_comes_again(sign_in, came, revision):
    failure = came()
    client = sign_in("builder")
    client.post(f"/failures/{failure.pk}/close/", {"why": "A stone, seen too late."})
    failure.refresh_from_db()
    assert (failure.state, failure.standing.is_closed_without_fix) == (State.HELD, True)
    assert "Closed without a fix by builder" in client.get(f"/failures/{failure.pk}/").content.decode()
    again = came(day=1)
    failure.refresh_from_db()
    assert failure.state == State.RECURRED
    again.delete()
    failure.refresh_from_db()
    assert failure.state == State.HELD


def test_what_can_hurt_is_never_closed_without_a_fix(came):
    failure = came()
    severe(failure, 2)
    with pytest.raises(IllegalTransition, match="can hurt somebody"):
        close_without_fix(failure, "It was nothing.")
    severe(failure, 3)
    close_without_fix(failure, "It was nothing.")
    severe(failure, 1)
    assert failure.state == State.RECURRED


def test_the_database_keeps_words_honest(failure, vehicle):
    good = {"vehicle": vehicle, "mode": failure.mode, "kind": "closed_without_fix", "why": "A stone."}
    for spoil in ({"why": ""}, {"kind": "held"}):
        with pytest.raises(IntegrityError), transaction.atomic():
            SignOff.objects.create(**{**good, **spoil})
    SignOff.objects.create(**good)
