"""Limits that logs were beyond, on the bench until they are recorded."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from buildlog.models import Failure, FailureMode, Fitting, Part, Revision
from sessions.bench.machine_bench import Filters, bench_of
from sessions.bench.next_tests import for_a_card, questions_of
from sessions.logs.column_guess import guess
from sessions.logs.csv_layout import find_layout
from sessions.logs.ingest import read_stored, store_log


@pytest.fixture
def hot(session, revision):
    """A motor whose maker allows 110 °C, and a log that reaches 118 °C."""
    Revision.objects.filter(pk=revision.pk).update(status="riding")
    motor = Part.objects.create(name="Motor", category="motor", specification={"highest_temperature_c": 110.0})
    Fitting.objects.create(revision=revision, part=motor, quantity=1)
    rows = "".join(f"{n},{52 - n % 3},{20 + n % 9},{98 + n % 21}\n" for n in range(60))
    log = store_log(session, SimpleUploadedFile("hot.csv", f"time,volts,amps,motor temp\n{rows}".encode()))
    with log.original.open("rb") as held:
        head = find_layout(held, log.size_bytes)
    read_stored(log, head.layout, guess(head.layout, head.rows))
    return session


def asked(vehicle):
    return [question for question in questions_of(bench_of(vehicle, Filters())) if question.session is not None]


def test_a_log_beyond_a_limit_is_to_be_settled(hot, vehicle, sign_in):
    [question] = asked(vehicle)
    assert question.what.startswith("Look at “Motor too hot” in the logs")
    assert question.why == "The log of 2026-01-17 has 118 °C, and the limit is 110 °C."
    assert question not in for_a_card(questions_of(bench_of(vehicle, Filters())))
    client = sign_in("builder")
    page = client.get(f"/vehicles/{vehicle.pk}/bench/").content.decode()
    assert f"/sessions/{hot.pk}/recordings/#beyond" in page
    steps = client.get(f"/api/v1/vehicles/{vehicle.pk}/bench/").json()["next"]
    assert "118 °C" in next(step["sentence"] for step in steps if step["kind"] == "settle_this")


def test_it_is_settled_by_the_failure_of_that_session_or_by_the_limit(hot, vehicle, revision):
    mode = FailureMode.objects.create(name="Motor too hot")
    elsewhere = Failure.objects.create(revision=revision, mode=mode, severity=3, happened_at=hot.started_at)
    assert asked(vehicle)
    Failure.objects.filter(pk=elsewhere.pk).update(session=hot)
    assert not asked(vehicle)
    Failure.objects.all().delete()
    Part.objects.filter(category="motor").update(specification={"highest_temperature_c": 120.0})
    assert not asked(vehicle)


def test_what_was_exactly_at_a_limit_was_not_beyond_it(hot, vehicle):
    Part.objects.filter(category="motor").update(specification={"highest_temperature_c": 118.0})
    assert not asked(vehicle)
