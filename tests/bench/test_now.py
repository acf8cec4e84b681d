"""The first page: what it says of the chosen machine, and how an empty log is led to its first session."""

from datetime import timedelta

import pytest
from django.conf import settings

from buildlog.models import Failure, FailureMode, Revision, Vehicle
from sessions.bench.now import READ_WHOLE, now_of
from sessions.models import Pass, Session, Venue


@pytest.fixture
def second_session(session, gate):
    later = Session.objects.create(
        revision=session.revision, venue=session.venue, started_at=session.started_at + timedelta(days=3),
        surface="clear_ice", distance_m=5000, runtime_s=900,
    )  # fmt: skip
    return later


def passes(session, gate, *seconds):
    for number, duration in enumerate(seconds, start=1):
        Pass.objects.create(
            session=session, gate=gate, number=number, direction="out" if number % 2 else "back",
            method="light_gate", duration_s=duration,
        )  # fmt: skip


def many(session, count, before=1):
    """Sessions on as many days, the newest of them so many days before this one."""
    days = [session.started_at - timedelta(days=before + day) for day in range(count)]
    Session.objects.bulk_create(
        Session(revision=session.revision, venue=session.venue, started_at=moment) for moment in days
    )


def test_an_empty_log_leads_to_its_first_session_step_by_step(sign_in, db):
    client = sign_in("builder")
    text = client.get("/").content.decode()
    assert "An empty log" in text
    assert text.count("<strong>") >= 5
    assert "/vehicles/new/" in text
    assert "/venues/new/" in text
    machine = Vehicle.objects.create(name="Led sled")
    text = client.get("/").content.decode()
    assert f"/vehicles/{machine.pk}/made-of/" in text
    assert "/sessions/new/" not in text
    Revision.objects.create(vehicle=machine, number=1, date="2026-01-10")
    Venue.objects.create(name="Back bay")
    assert "/sessions/new/" in client.get("/").content.decode()


def test_each_step_is_asked_for_once_and_only_what_the_account_may_do(sign_in, revision, venue):
    client = sign_in("reader")
    response = client.get("/")
    steps = response.context["steps"]
    assert [step.is_done for step in steps] == [True, True, True, False, False]
    assert [step.is_next for step in steps].count(True) == 1
    assert "/new-gate/" not in response.content.decode()


def test_the_last_session_says_how_it_differs_beyond_both_uncertainties(sign_in, session, second_session, gate):
    # 100 m in 8.00 and 8.02 s, then in 5.00 and 5.02 s: 45.0 and 71.9 km/h, far beyond what a light gate leaves open.
    passes(session, gate, 8.00, 8.02)
    passes(second_session, gate, 5.00, 5.02)
    text = sign_in("reader").get("/").content.decode()
    assert "27 km/h more than R1 on" in text
    Pass.objects.filter(session=second_session).update(duration_s=8.01)
    assert "within ± of R1 on" in sign_in("builder").get("/").content.decode()


def test_the_first_session_is_compared_with_none(sign_in, session, gate):
    passes(session, gate, 8.00, 8.02)
    text = sign_in("reader").get("/").content.decode()
    assert "the first number of its kind" in text


def test_what_must_not_be_ridden_comes_first_and_sends_nobody_to_the_lake(sign_in, session):
    mode = FailureMode.objects.create(name="brake came off")
    Failure.objects.create(revision=session.revision, session=session, mode=mode, severity=1)
    text = sign_in("builder").get("/").content.decode()
    assert "Do not ride until" in text
    assert "Start at the lake" not in text
    assert "Settle it at the bench" in text


def test_a_machine_that_is_not_released_is_settled_at_the_bench_first(sign_in, session):
    Revision.objects.filter(pk=session.revision_id).update(status="in_build")
    text = sign_in("builder").get("/").content.decode()
    assert f"Settle this first: Release {session.revision.label}" in text
    assert "Start at the lake" not in text


def test_a_number_in_doubt_says_so_where_it_stands_large(sign_in, session, gate):
    """A pass of 0.8 s is 450 km/h: on the first page and on its session's own."""
    passes(session, gate, 8.0)
    client = sign_in("reader")
    pages = ("/", session.get_absolute_url())
    assert not any('<span class="badge">in doubt</span>' in client.get(page).content.decode() for page in pages)
    passes(session, gate, 0.8)
    for page in pages:
        figures = client.get(page).content.decode().partition('<ul class="headlines">')[2].partition("</ul>")[0]
        assert '<span class="badge">in doubt</span>' in figures


def test_the_first_step_is_that_of_the_bench(sign_in, failure):
    client = sign_in("builder")
    now = client.get("/").context["now"]
    bench = client.get(f"/vehicles/{failure.revision.vehicle_id}/bench/").context
    assert [question.what for question in now.first] == [question.what for question in bench["first"]]
    assert now.first


def test_queries_do_not_grow_with_sessions(sign_in, session, django_assert_max_num_queries, gate, failure):
    client = sign_in("builder")
    passes(session, gate, 8.0, 8.1)
    client.get("/")
    many(session, 3)
    many(session, 2, before=60)
    with django_assert_max_num_queries(46) as few:
        client.get("/")
    many(session, 40, before=50)
    with django_assert_max_num_queries(len(few)):
        client.get("/")


def test_of_many_sessions_only_the_newest_are_read(sign_in, session, django_assert_max_num_queries, failure):
    client = sign_in("builder")
    many(session, READ_WHOLE)
    response = client.get("/")
    assert response.context["now"].bench is None
    assert "data-next=" in response.content.decode()
    assert failure.mode.name in response.content.decode()
    with django_assert_max_num_queries(35) as few:
        client.get("/")
    Session.objects.bulk_create(
        Session(
            revision=session.revision, venue=session.venue, started_at=session.started_at - timedelta(days=90 + day)
        )
        for day in range(80)
    )
    with django_assert_max_num_queries(len(few)):
        client.get("/")


def test_without_a_riding_revision_the_page_still_stands(sign_in, session):
    Revision.objects.update(status="retired")
    assert sign_in("builder").get("/").status_code == 200


def test_a_machine_once_chosen_stays_chosen(sign_in, session):
    other = Vehicle.objects.create(name="Another sled")
    client = sign_in("reader")
    assert client.get("/").context["vehicle"] == session.revision.vehicle
    client.get(f"/vehicles/{other.pk}/")
    assert client.cookies[settings.MACHINE_COOKIE_NAME].value == str(other.pk)
    assert client.get("/").context["vehicle"] == other
    assert f"/vehicles/{other.pk}/bench/" in client.get("/sessions/").content.decode()
    assert client.get(f"/?machine={session.revision.vehicle_id}").context["vehicle"] == session.revision.vehicle
    assert client.get("/").context["vehicle"] == session.revision.vehicle


def test_a_cookie_of_no_machine_is_not_heeded(sign_in, session):
    client = sign_in("reader")
    for value in ("", "no-machine", "00000000-0000-0000-0000-000000000000", "'; drop"):
        client.cookies[settings.MACHINE_COOKIE_NAME] = value
        assert client.get("/").context["vehicle"] == session.revision.vehicle
    assert client.get("/?machine=nonsense").status_code == 200


def test_now_reads_a_machine_without_assumptions(session):
    assert now_of(session.revision.vehicle, "imperial").last is not None
