"""Comparing revisions: on session means, against scipy 1.17, in plain words, drawn as tabled."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from buildlog.models import Failure, FailureMode, Revision
from sessions.drawing.figures import map_style_id
from sessions.models import Pass, Session
from sessions.trials.compared_revisions import compare
from sessions.trials.figures import page_figures
from sessions.trials.matching import Matching

FIRST = [7.30, 7.45, 7.12, 7.60]
SECOND = [6.40, 6.62, 6.31]


@pytest.fixture
def two_revisions(revision, venue, gate):
    """R1 and R2 with one pass of the given time in each session, R2 ridden in the cold on snow."""
    later = Revision.objects.create(
        vehicle=revision.vehicle, number=2, parent=revision, date=date(2026, 2, 1), status="riding"
    )
    for result, times, temperature, surface in (
        (revision, FIRST, -2.0, "clear_ice"),
        (later, SECOND, -12.0, "snow_on_ice"),
    ):
        for day, seconds in enumerate(times):
            session = Session.objects.create(
                revision=result,
                venue=venue,
                started_at=datetime(2026, 1, 10, 12, tzinfo=UTC) + timedelta(days=day),
                air_temperature_c=temperature,
                surface=surface,
                distance_m=10_000.0 + 100 * day,
                energy_used_wh=400.0 + 5 * day,
            )
            Pass.objects.create(session=session, gate=gate, duration_s=seconds)
    return [revision, later]


def kmh(times):
    return 3.6 * 100 / np.array(times)


def test_intervals_of_the_means_are_scipys(two_revisions):
    compared = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric")
    speeds = compared.measures[0]
    for group, times in zip(speeds.groups, (FIRST, SECOND), strict=True):
        values = kmh(times)
        low, high = stats.t.interval(0.95, values.size - 1, values.mean(), stats.sem(values))
        assert (3.6 * group.interval.lower, 3.6 * group.interval.upper) == pytest.approx((low, high))


def test_unlike_conditions_are_said_before_any_answer(sign_in, two_revisions):
    page = sign_in("reader").get(f"/compare/?vehicle={two_revisions[0].vehicle_id}")
    text = page.content.decode()
    assert "R1 was ridden at −2 °C on clear ice (4 sessions)." in text
    assert "R2 was ridden at −12 °C on snow on ice (3 sessions)." in text
    # What differs between the two stands before the answers.
    assert text.index("R2 was ridden 10 °C colder") < text.index('class="answers"')


def test_passes_of_one_session_count_once(two_revisions, gate):
    before = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric").measures[0].groups[0]
    session = two_revisions[0].sessions.first()
    same = session.passes.get().duration_s
    Pass.objects.bulk_create([Pass(session=session, gate=gate, number=n, duration_s=same) for n in range(2, 40)])
    after = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric").measures[0].groups[0]
    assert after.interval.lower == pytest.approx(before.interval.lower)
    assert len(after.points) == 4


def test_too_few_sessions_cannot_tell(two_revisions):
    two_revisions[1].sessions.exclude(pk=two_revisions[1].sessions.first().pk).delete()
    Session.objects.update(air_temperature_c=-5.0, surface="clear_ice")
    compared = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric")
    assert compared.measures[0].groups[1].interval is None
    speed = compared.answers.rows[0]
    assert (speed.word, speed.picture) == ("not yet known", None)
    assert speed.sentence == "R2 has 1 of the 4 values that a claim needs."


def test_what_does_not_count_is_left_out_and_told(two_revisions):
    session = two_revisions[0].sessions.first()
    Session.objects.filter(pk=session.pk).update(distance_m=None)
    consumption = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric").measures[1]
    assert len(consumption.groups[0].points) == 3
    assert consumption.left_out == [f"R1, {session.started_at:%Y-%m-%d}: needs distance ridden"]


def test_only_one_surface(two_revisions):
    speeds = compare(two_revisions[0].vehicle, two_revisions, Matching(surface="clear_ice"), "metric").measures[0]
    assert [len(group.points) for group in speeds.groups] == [4, 0]


def test_failure_rates_with_limits(two_revisions):
    session = two_revisions[0].sessions.first()
    for _ in range(2):
        Failure.objects.create(
            revision=two_revisions[0], session=session, mode=FailureMode.called("chain came off"), severity=3
        )
    first, second = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric").rates
    # scipy 1.17, chi-square quantiles as in the NIST/SEMATECH e-Handbook, 8.4.5.1; 40.6 km ridden.
    assert first.interval.estimate == pytest.approx(2 / 0.406)
    assert first.interval.upper == pytest.approx(stats.chi2.ppf(0.975, 6) / 2 / 0.406)
    assert second.interval.lower == 0.0
    assert second.interval.upper == pytest.approx(stats.chi2.ppf(0.975, 2) / 2 / 0.303)


def test_figures_carry_the_tabled_numbers(two_revisions):
    compared = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric")
    figures = page_figures(compared, "metric")
    assert set(figures) == {"average_gate_speed", "energy_per_distance", "range", "failure_rate"}
    dots = [trace for trace in figures["average_gate_speed"]["data"] if trace["name"] in ("R1", "R2")]
    assert list(dots[0]["y"]) == pytest.approx(list(kmh(FIRST)))
    assert list(dots[1]["y"]) == pytest.approx(list(kmh(SECOND)))
    # Not by colour alone, and only kinds that the content policy lets draw.
    assert dots[0]["marker"]["symbol"] != dots[1]["marker"]["symbol"]
    assert {trace["type"] for figure in figures.values() for trace in figure["data"]} == {"scatter"}


def test_imperial_people_get_miles(two_revisions):
    compared = compare(two_revisions[0].vehicle, two_revisions, Matching(), "imperial")
    dots = page_figures(compared, "imperial")["average_gate_speed"]["data"][0]
    # NIST SP 811 (2008), B.8: 1 mi = 1609.344 m.
    assert list(dots["y"]) == pytest.approx(list(kmh(FIRST) / 1.609344))


def test_the_choice_is_in_the_address(sign_in, two_revisions):
    client = sign_in("reader")
    first, second = two_revisions
    page = client.get(f"/compare/?vehicle={first.vehicle_id}&revision={second.pk}")
    assert [revision.label for revision in page.context["comparison"].revisions] == ["R2"]
    page = client.get(f"/compare/?vehicle={first.vehicle_id}&revision={second.pk}&revision={first.vehicle_id}")
    assert "does not belong to this machine" in page.content.decode()


def test_first_things_first_where_there_is_nothing(sign_in):
    assert "There is no machine yet" in sign_in("reader").get("/compare/").content.decode()


def test_the_installed_script_still_has_the_id_that_keeps_its_inline_styles_out():
    assert len(map_style_id()) >= 40


def test_unlike_conditions_are_said_beside_the_verdict(two_revisions):
    compared = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric")
    assert compared.unlike == ["R2 was ridden 10 °C colder, on snow on ice, compared with R1."]
    Session.objects.update(air_temperature_c=-5.0, surface="clear_ice")
    assert compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric").unlike == []
