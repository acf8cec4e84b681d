"""The questions of a machine: what is asked, under one error, and the same on page, bench and interface."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from buildlog.models import Failure, FailureMode, Modification, Revision, Vehicle
from calc.trials.answers import Answer
from sessions.bench.machine_bench import Filters, bench_of
from sessions.demo import loading
from sessions.evidence.season import Season
from sessions.models import Pass, Session
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.measures import BEST_SPEED, ENERGY, ENERGY_AT_EQUAL_SPEED, MEAN_SPEED
from sessions.trials.questions import answer, every_pair, newest_against_parent, of_modifications

START = datetime(2026, 1, 5, 11, tzinfo=UTC)


@pytest.fixture
def ridden(revision, venue, gate):
    """R2 8 % faster than R1 and as thirsty: eight days each, four passes a day, noise drawn once."""
    second = Revision.objects.create(
        vehicle=revision.vehicle, number=2, parent=revision, date=date(2026, 2, 1), status="riding"
    )
    chance = np.random.default_rng(11)
    for place, (build, speed_mps) in enumerate(((revision, 15.0), (second, 16.2))):
        for day in range(8):
            session = Session.objects.create(
                revision=build, venue=venue, started_at=START + timedelta(days=20 * place + day), surface="clear_ice",
                air_temperature_c=-8.0 + chance.normal(0, 3), rider_mass_kg=75.0, distance_m=10_000.0,
                runtime_s=1800.0, energy_used_wh=400.0 * np.exp(chance.normal(0, 0.03)),
            )  # fmt: skip
            level = speed_mps * np.exp(chance.normal(0, 0.01))
            for number in range(4):
                Pass.objects.create(
                    session=session, gate=gate, number=number + 1, direction="out" if number % 2 else "back",
                    duration_s=100.0 / (level * np.exp(chance.normal(0, 0.01))),
                )  # fmt: skip
    return second


def comparison(client, vehicle, **query):
    return client.get(f"/api/v1/vehicles/{vehicle.pk}/comparison/", query).json()


def test_the_newest_is_asked_against_its_parent(ridden, sign_in):
    answers = comparison(sign_in("reader"), ridden.vehicle)
    assert answers["error"] == 0.05
    by_measure = {row["measure"]: row for row in answers["questions"]}
    assert set(by_measure) == {"mean_gate_speed", "best_gate_speed", "energy_per_km"}
    speed = by_measure["mean_gate_speed"]
    assert (speed["revision"], speed["against"], speed["answer"]) == (2, 1, "higher")
    # 16.2 over 15.0 is 8 % more.
    assert speed["lower"] < 0.08 < speed["upper"]
    assert speed["lower"] > 0
    assert speed["confidence"] >= 0.95
    assert (speed["sessions"], speed["planned_sessions"], speed["modification"]) == (8, 6, None)
    assert speed["decided"]["answer"] == "higher"
    assert set(speed["adjusted_for"]) <= {"surface", "gate", "air temperature", "rider and payload", "wind"}
    assert by_measure["energy_per_km"]["answer"] != "higher"


def test_what_is_settled_takes_no_more_sessions(ridden, sign_in):
    for row in comparison(sign_in("reader"), ridden.vehicle)["questions"]:
        assert row["more_sessions"] is None or row["answer"] not in ("higher", "lower", "no_difference_that_matters")


def test_a_modification_asks_and_its_answer_is_the_same_everywhere(ridden, sign_in):
    change = Modification.objects.create(
        revision=ridden, title="Taller gearing", expected_measure="top_speed", expected_direction="up",
        expected_amount_percent=20,
    )  # fmt: skip
    client, vehicle = sign_in("reader"), ridden.vehicle
    [row] = [row for row in comparison(client, vehicle)["questions"] if row["modification"] == str(change.pk)]
    assert (row["measure"], row["answer"]) == ("best_gate_speed", "higher")
    [verdict] = bench_of(vehicle, Filters()).verdicts
    assert verdict.word == "helped, less than expected"
    page = client.get(f"/compare/?vehicle={vehicle.pk}")
    [shown] = [line for line in page.context["comparison"].answers.rows if line.asked_by]
    assert (shown.word, shown.asked_by[0].outcome) == ("faster", "helped, less than expected")
    assert "Asked by “Taller gearing”" in page.content.decode()
    assert verdict.sentence in client.get(f"/vehicles/{vehicle.pk}/bench/").content.decode()


def test_more_questions_make_every_answer_harder_to_reach(ridden):
    season = Season(ridden.vehicle)
    few = answer(MeasureColumns(season), newest_against_parent(season))
    many = answer(MeasureColumns(season), every_pair(season))
    speeds = [
        next(row.result.figures for row in rows if row.asked.measure is MEAN_SPEED and row.result.figures)
        for rows in (few, many)
    ]
    assert speeds[1].confidence > speeds[0].confidence
    assert {row.asked.measure.key for row in many} > {row.asked.measure.key for row in few}


def test_a_failure_modification_is_among_the_questions(ridden, revision, sign_in):
    change = Modification.objects.create(
        revision=ridden, title="Tensioner", expected_measure="failure_rate", expected_direction="down"
    )
    for day in range(6):
        change.answers.add(
            Failure.objects.create(
                revision=revision,
                session=revision.sessions.all()[day],
                mode=FailureMode.called("chain came off"),
                severity=3,
                happened_at=START + timedelta(days=day, hours=1),
            )
        )
    [row] = [row for row in comparison(sign_in("reader"), ridden.vehicle)["questions"] if row["measure"] == "failures"]
    assert (row["answer"], row["modification"], row["revision"], row["against"]) == ("lower", str(change.pk), 2, 1)
    # Six in 80 km before, none in 80 km since.
    assert row["upper"] < 0


def test_sessions_of_one_day_are_one_value(ridden, venue):
    season = Season(ridden.vehicle)
    before = answer(MeasureColumns(season), newest_against_parent(season))[2].result
    last = ridden.sessions.order_by("-started_at").first()
    for hours in (1, 2, 3):
        Session.objects.create(
            revision=ridden, venue=venue, started_at=last.started_at + timedelta(hours=hours), surface="clear_ice",
            air_temperature_c=-8.0, rider_mass_kg=75.0, distance_m=10_000.0, energy_used_wh=395.0,
        )  # fmt: skip
    season = Season(ridden.vehicle)
    after = answer(MeasureColumns(season), newest_against_parent(season))[2].result
    assert after.evidence.values == before.evidence.values == 8
    assert after.evidence.sessions == before.evidence.sessions + 3


def test_energy_at_equal_speed_allows_for_the_speed(ridden):
    """A revision that is ridden faster uses more: as ridden it is thirstier, at equal speed not."""
    for place, session in enumerate(Session.objects.order_by("started_at")):
        speed = (5.0 if session.revision_id != ridden.pk else 6.5) + 0.3 * (place % 4)
        scatter = 1.0 + 0.01 * ((place * 7) % 5 - 2)
        Session.objects.filter(pk=session.pk).update(
            runtime_s=10_000.0 / speed, energy_used_wh=10.0 * (20.0 + 4.0 * speed) * scatter
        )
    season = Season(ridden.vehicle)
    asked = [row for row in every_pair(season) if row.measure in (ENERGY, ENERGY_AT_EQUAL_SPEED)]
    by_measure = {row.asked.measure: row.result for row in answer(MeasureColumns(season), asked)}
    assert by_measure[ENERGY].answer is Answer.HIGHER
    assert by_measure[ENERGY_AT_EQUAL_SPEED].answer is not Answer.HIGHER
    assert "mean speed" in by_measure[ENERGY_AT_EQUAL_SPEED].evidence.adjusted_for


def test_best_speeds_are_compared_at_equal_numbers_of_passes(ridden, gate):
    """Ten passes instead of four on every day of R2 make its fastest no faster to the model."""
    season = Season(ridden.vehicle)
    asked = [row for row in newest_against_parent(season) if row.measure is BEST_SPEED]
    before = answer(MeasureColumns(season), asked)[0].result.figures.change
    for session in ridden.sessions.all():
        times = list(session.passes.values_list("direction", "duration_s"))
        for number, (direction, seconds) in enumerate([*times, *times], start=10):
            Pass.objects.create(session=session, gate=gate, number=number, direction=direction, duration_s=seconds)
    after = answer(MeasureColumns(Season(ridden.vehicle)), asked)[0].result.figures.change
    assert after == pytest.approx(before, abs=0.004)


def test_what_does_not_match_counts_for_no_answer(ridden, sign_in):
    Session.objects.filter(revision=ridden).update(surface="packed_snow")
    page = sign_in("reader").get(f"/compare/?vehicle={ridden.vehicle_id}&surface=clear_ice")
    rows = page.context["comparison"].answers.rows
    assert {row.word for row in rows} == {"not yet known"}
    assert rows[0].sentence == "R2 has no value yet."


def test_places_hidden_in_a_link_are_in_no_sentence(ridden, gate, venue):
    from sessions.models import Gate, GateMark

    other = Gate.objects.create(venue=venue, name="Secret straight", u_distance_m=0.02)
    GateMark.objects.bulk_create([GateMark(gate=other, position_m=0.0), GateMark(gate=other, position_m=100.0)])
    Pass.objects.filter(session__revision=ridden).update(gate=other)
    season = Season(ridden.vehicle)
    for names_places in (True, False):
        rows = answer(MeasureColumns(season, names_places=names_places), newest_against_parent(season))
        words = " ".join(f"{row.result.reason} {row.result.evidence.cautions}" for row in rows)
        assert ("Secret straight" in words) == names_places
        assert rows[0].result.answer is Answer.NOT_SEPARABLE


def test_the_queries_are_fixed(ridden, venue, sign_in):
    client, counts = sign_in("reader"), []
    for more in (1, 60):
        Session.objects.bulk_create(
            Session(revision=ridden, venue=venue, started_at=START + timedelta(days=100 * more + day))
            for day in range(more)
        )
        for address in (f"/api/v1/vehicles/{ridden.vehicle_id}/comparison/", f"/compare/?vehicle={ridden.vehicle_id}"):
            with CaptureQueriesContext(connection) as captured:
                assert client.get(address).status_code == 200
            counts.append(len(captured))
    assert counts[:2] == counts[2:]
    assert max(counts) <= 28


def test_comparison_and_bench_ask_for_the_same_sessions(db, sign_in):
    """The demo's open trial: no season holds what it takes, whatever of its plan is left."""
    loading.load()
    vehicle, client = Vehicle.objects.get(), sign_in("reader")
    asked = {row["trial"]: row for row in comparison(client, vehicle)["questions"] if row["trial"]}
    listed = [row for row in client.get(f"/api/v1/vehicles/{vehicle.pk}/bench/").json()["trials"] if row["trial"]]
    assert listed
    for row in listed:
        assert row["more_sessions"] == asked[row["trial"]]["more_sessions"]


def test_the_demo_answers_without_a_claim_that_its_weather_explains(db):
    loading.load()
    season = Season(Vehicle.objects.get())
    asked = [*newest_against_parent(season), *of_modifications(season, list(Modification.objects.all()))]
    rows = answer(MeasureColumns(season), asked)
    assert len(rows) >= 5
    assert all(row.word and (row.result.figures or row.sentence) for row in rows)
