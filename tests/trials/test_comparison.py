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
    for found, times, temperature, surface in (
        (revision, FIRST, -2.0, "clear_ice"),
        (later, SECOND, -12.0, "snow_on_ice"),
    ):
        for day, seconds in enumerate(times):
            session = Session.objects.create(
                revision=found,
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


def test_interval_and_difference_are_scipys(two_revisions):
    compared = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric")
    speeds = compared.measures[0]
    for group, times in zip(speeds.groups, (FIRST, SECOND), strict=True):
        values = kmh(times)
        low, high = stats.t.interval(0.95, values.size - 1, values.mean(), stats.sem(values))
        assert (3.6 * group.interval.lower, 3.6 * group.interval.upper) == pytest.approx((low, high))
    expected = stats.ttest_ind(kmh(SECOND), kmh(FIRST), equal_var=False)
    limits = expected.confidence_interval(0.95)
    difference = kmh(SECOND).mean() - kmh(FIRST).mean()
    sentence = speeds.sentences[0]
    assert sentence == (
        f"R2 is {difference:.1f} km/h faster than R1 "
        f"(95 % between {limits.low:.1f} and {limits.high:.1f}; 3 and 4 sessions)."
    )


def test_conditions_are_said_before_any_verdict(sign_in, two_revisions):
    page = sign_in("reader").get(f"/compare/?vehicle={two_revisions[0].vehicle_id}")
    text = page.content.decode()
    assert "R1 was ridden at −2 °C on clear ice (4 sessions)." in text
    assert "R2 was ridden at −12 °C on snow on ice (3 sessions)." in text
    assert text.index("R2 was ridden") < text.index("faster than")


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
    speeds = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric").measures[0]
    assert speeds.sentences == [
        "R2 against R1: cannot tell yet; at least two sessions of R2 are needed (1 and 4 sessions)."
    ]
    assert speeds.groups[1].interval is None


def test_a_small_difference_says_how_many_more(two_revisions):
    for session, seconds in zip(two_revisions[1].sessions.order_by("started_at"), (7.25, 7.42, 7.16), strict=True):
        session.passes.update(duration_s=seconds)
    sentence = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric").measures[0].sentences[0]
    assert sentence.startswith("R2 against R1: cannot tell yet (3 and 4 sessions).")
    assert "more sessions of R2" in sentence or "far smaller than the spread" in sentence


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
    assert " mph faster than R1" in compared.measures[0].sentences[0]
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


def test_the_adjusted_difference_is_statsmodels(two_revisions):
    """statsmodels 0.15.0: OLS of speed on group and air temperature; its coefficient and interval of the group."""
    import statsmodels.api as sm

    airs = [[-2.0, -5.0, -1.0, -8.0], [-6.0, -3.0, -9.0]]
    for revision, temperatures in zip(two_revisions, airs, strict=True):
        for session, air in zip(revision.sessions.order_by("started_at"), temperatures, strict=True):
            Session.objects.filter(pk=session.pk).update(air_temperature_c=air)
    compared = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric", covariate="air_temperature_c")
    design = sm.add_constant(np.column_stack([[0] * 4 + [1] * 3, airs[0] + airs[1]]))
    fit = sm.OLS(np.concatenate([kmh(FIRST), kmh(SECOND)]), design).fit()
    low, high = fit.conf_int(0.05)[1]
    [sentence] = compared.measures[0].adjusted
    between = f"95 % between {low:.4g} km/h and {high:.4g} km/h."
    assert sentence == f"R2 less R1 at equal air temperature: {fit.params[1]:.4g} km/h, {between}"


def test_an_adjustment_that_cannot_be_made_says_so(two_revisions):
    compared = compare(two_revisions[0].vehicle, two_revisions, Matching(), "metric", covariate="rider_mass_kg")
    assert "cannot tell; too few sessions" in compared.measures[0].adjusted[0]
    assert "7 without a recorded rider left out" in compared.measures[0].adjusted[0]
