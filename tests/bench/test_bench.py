"""The bench: what failed, what the next change touches, whether the last one worked, and what to test next."""

import html
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from buildlog.failures.exposure import Exposure
from buildlog.failures.loop import standing_of
from buildlog.models import Failure, FailureMode, Fitting, Modification, Revision
from sessions.bench.figures import bench_figures
from sessions.bench.machine_bench import Filters, bench_of
from sessions.bench.next_tests import questions_of
from sessions.models import Session, TestCard
from tests.bench.rides import START, rides


def test_places_count_by_distance_not_by_date(season, vehicle):
    after, failures = season[3], season[4]
    exposure = Exposure(vehicle)
    assert (exposure.total_m, exposure.total_s) == (90_000.0, 18_000.0)
    assert exposure.begins_m() == [(1, 0.0), (2, 50_000.0)]
    failure = failures[1]
    # In the middle of the second session while nothing is known; then where its time, or its distance, puts it.
    assert exposure.place_m(failure) == 15_000.0
    failure.time_into_session_s = 450.0
    assert exposure.place_m(failure) == 12_500.0
    failure.distance_into_session_m = 9000.0
    assert exposure.place_m(failure) == 19_000.0
    failure.session, failure.happened_at = None, after[0].started_at + timedelta(hours=2)
    assert exposure.place_m(failure) == 58_000.0
    failure.happened_at = START - timedelta(days=9)
    assert exposure.place_m(failure) is None


def test_rides_without_a_distance_are_unknown_not_zero(season, vehicle, sign_in):
    before, failures = season[2], season[4]
    Session.objects.filter(pk=before[1].pk).update(distance_m=None, runtime_s=None)
    exposure = Exposure(vehicle)
    assert (exposure.total_m, exposure.total.without_distance, exposure.total.longest_m) == (80_000.0, 1, 90_000.0)
    failures[1].distance_into_session_m = 4000.0
    assert exposure.place_m(failures[1]) == 14_000.0
    page = html.unescape(sign_in("reader").get(f"/vehicles/{vehicle.pk}/bench/").content.decode())
    assert "at least 80 km" in page
    assert "No distance for 1 of 10 rides, counted as 0 km." in page
    assert "The failures of these rides count all the same" in page


def test_counted_laps_and_guesses_are_estimates(season, vehicle, sign_in):
    """By hand: one of five rides of 10 km before the fix was counted in laps (± a tenth), one of five of 8 km since
    was guessed (± three tenths): 11 km and 5.6 km on the careful sides."""
    Session.objects.filter(pk=season[2][1].pk).update(distance_method="laps")
    Session.objects.filter(pk=season[3][1].pk).update(distance_method="estimate")
    total = Exposure(vehicle).total
    assert (total.distance_m, total.estimated, total.estimated_m, total.without_distance) == (72_000, 2, 18_000, 0)
    assert (total.least_m, total.longest_m) == (9_000 + 5_600, 72_000 + 11_000 + 10_400)
    proof = standing_of(season[4][0]).shown.proof
    assert (proof.exposure_before, proof.exposure_after) == (51_000, 37_600)
    # The bench has read the rides already, and takes them from there.
    row = sign_in("reader").get(f"/api/v1/vehicles/{vehicle.pk}/bench/").json()["modes"][0]
    assert (row["exposure"]["known_m"], row["exposure"]["estimated_m"]) == (72_000, 18_000)
    assert row["fixes"][0]["since_m"] == 37_600


def test_a_ride_that_was_only_timed_is_estimated_by_the_speeds_of_its_revision(season, vehicle, sign_in):
    """By hand: 4 rides of 10 km in 30 min, and one of 30 min without a distance: 10 km."""
    Session.objects.filter(pk=season[2][1].pk).update(distance_m=None)
    total = Exposure(vehicle).total
    assert (total.distance_m, total.estimated, total.estimated_m, total.without_distance) == (80_000, 1, 10_000, 0)
    assert (
        "The distance of 1 of 10 rides is estimated."
        in sign_in("reader").get(f"/vehicles/{vehicle.pk}/bench/").content.decode()
    )


def test_a_distance_in_doubt_is_unknown(season, vehicle):
    """300 km in half an hour; since a fix that is nothing, before it the ride may have been as long as that."""
    assert standing_of(season[4][0]).shown.proof.exposure_after == 40_000
    Session.objects.filter(pk=season[3][0].pk).update(distance_m=300_000.0)
    Session.objects.filter(pk=season[2][4].pk).update(distance_m=300_000.0)
    proof = standing_of(season[4][0]).shown.proof
    # R2's other rides: four of 8 km; the time is in doubt with the distance. R1's: four of 10 km, one of 300 at most.
    assert (proof.after.distance_m, proof.after.without_distance, proof.exposure_before) == (32_000, 1, 340_000)


def test_the_bench_counts_a_fix_in_hours_where_distances_lack(season, vehicle):
    Session.objects.filter(revision__number=1).update(distance_m=None)
    proof = bench_of(vehicle, Filters()).modes[0].fixes[0].proof
    # By hand: 3 in 2.5 h before, 2.5 h since; (1/0.3)^(1/3) − 1 = 0.49380.
    assert proof.ratio_upper == pytest.approx(0.49380, abs=1e-5)
    assert proof.shown


def test_bench_and_failure_page_read_one_proof(season, vehicle):
    branch = Revision.objects.create(
        vehicle=vehicle, number=3, parent=season[0], date=date(2026, 3, 1), status="riding"
    )
    rides(branch, season[2][0].venue, 9, km=10.0, first_day=60)
    [row] = bench_of(vehicle, Filters()).modes
    assert row.standing.shown.proof == row.fixes[0].proof == standing_of(season[4][0]).shown.proof
    assert (row.fixes[0].proof.exposure_after, row.fixes[0].proof.shown) == (40_000.0, False)


def test_what_can_hurt_ranks_first_then_the_harm_to_be_expected(season, vehicle):
    second = season[1]
    for mode, count, severity in (("lamp out", 4, 4), ("belt slipped", 2, 3), ("chain guard loose", 2, 4)):
        for _ in range(count):
            Failure.objects.create(revision=second, mode=FailureMode.called(mode), severity=severity)
    chain, belt, lamp, guard = bench_of(vehicle, Filters()).modes
    assert [row.name for row in (chain, belt, lamp, guard)] == [
        "chain came off", "belt slipped", "lamp out", "chain guard loose",
    ]  # fmt: skip
    assert (chain.numeral, len(chain.failures)) == ("II", 3)
    # NIST/SEMATECH e-Handbook 8.4.5.1, 90 km in all: 3 failures, limits of the chi-square distribution.
    assert chain.per_100_km.estimate == pytest.approx(3 / 0.9)
    assert chain.per_100_km.upper == pytest.approx(7.75366 / 0.9, rel=1e-5)
    assert chain.per_hour.estimate == pytest.approx(3 / 5.0)
    # Shrinkage ranks; it moves no limit.
    assert min(3, 2) / 0.9 < chain.shrunk_per_100_km < 3.6 / 0.9
    assert chain.expected_harm >= 3 * chain.per_100_km.upper


def test_watched_modes_show_what_riding_has_proven(season, vehicle, sign_in):
    Failure.objects.update(severity=3)
    [row] = bench_of(vehicle, Filters()).modes
    # By hand: 3 in 50 km before; 40 km since; (50/40) · ((1/0.3)^(1/3) − 1) = 0.61725.
    assert row.fixes[0].proof.ratio_upper == pytest.approx(0.61725, abs=1e-5)
    assert (str(row.state), row.may_be_held) == ("watching", False)
    client = sign_in("reader")
    page = html.unescape(client.get(f"/vehicles/{vehicle.pk}/bench/").content.decode())
    # By hand: 2 · 50 km · 0.49380 = 49.4 km, of which 40 are ridden.
    assert "9.4 km more without it would show, at 70 % confidence" in page
    rides(season[1], season[2][0].venue, 1, km=10.0, first_day=60)
    page = client.get(f"/vehicles/{vehicle.pk}/bench/").content.decode()
    assert "It may be called held." in page


def test_too_few_failures_for_a_trend_are_said(season, vehicle):
    Failure.objects.all()[0].delete()
    growth = bench_of(vehicle, Filters()).growth
    assert growth.fit is None
    assert growth.sentence == "Cannot tell yet: a trend needs at least 3 failures at known distances; 2 are recorded."
    Session.objects.update(distance_m=None)
    assert "No distance is recorded" in bench_of(vehicle, Filters()).growth.sentence


def test_a_trend_takes_a_failure_after_the_last_ride_in_and_leaves_one_before_the_first_out(season, vehicle):
    """A failure that was recorded without its session."""
    second = season[1]
    mode = FailureMode.called("lamp out")
    late = Failure.objects.create(revision=second, mode=mode, severity=4, happened_at=START + timedelta(days=99))
    assert bench_of(vehicle, Filters()).growth.places_km == [5.0, 15.0, 25.0, 90.0]
    late.happened_at = START - timedelta(days=99)
    late.save()
    bench = bench_of(vehicle, Filters())
    assert bench.growth.places_km == [5.0, 15.0, 25.0]
    assert bench.growth.sentence.endswith("Left out: 1 that came before the first known distance.")
    assert sum(len(trace["x"]) for trace in bench_figures(bench, "metric")["failure_timeline"]["data"]) == 3


def test_a_trend_over_unknown_distances_is_not_told(season, vehicle):
    Session.objects.filter(pk=season[2][4].pk).update(distance_m=None, runtime_s=None)
    growth = bench_of(vehicle, Filters()).growth
    assert growth.fit is None
    assert growth.sentence.startswith("Cannot tell: no distance for 1 of 10 rides")


def test_the_trend_is_the_fit_of_the_places(vehicle, revision, venue):
    """NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.7.2 data: 10 failures, watched to 1500."""
    times = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
    # A hundred rides of 15 km: 1500 km in one would be in doubt.
    outings = rides(revision, venue, 100, km=15.0)
    for time in times:
        outing = min(int(time // 15), 99)
        Failure.objects.create(
            revision=revision, session=outings[outing], severity=3,
            distance_into_session_m=1000.0 * (time - 15 * outing), mode=FailureMode.called("x"), happened_at=START,
        )  # fmt: skip
    growth = bench_of(vehicle, Filters()).growth
    assert growth.fit.shape == pytest.approx(0.5372288660)
    assert growth.fit.exposure_between_failures_now == pytest.approx(279.210611)
    # Laplace (1774) as in e-Handbook 8.2.3.4, on the same data.
    assert growth.trend.statistic == pytest.approx(-1.326949, abs=1e-6)


def test_the_figures_carry_the_failures(season, vehicle):
    figures = bench_figures(bench_of(vehicle, Filters()), "metric")
    [marks] = figures["failure_timeline"]["data"]
    assert list(marks["x"]) == [5.0, 15.0, 25.0]
    assert list(marks["y"]) == ["chain came off"] * 3
    counted = figures["failure_growth"]["data"][0]
    assert list(counted["y"]) == [0, 1, 2, 3, 3]
    assert list(counted["x"]) == [0, 5.0, 15.0, 25.0, 90.0]
    assert [note["text"] for note in figures["failure_growth"]["layout"]["annotations"]] == ["R1", "R2"]
    # 1 mi = 1609.344 m (NIST SP 811 (2008), B.8).
    imperial = bench_figures(bench_of(vehicle, Filters()), "imperial")
    assert imperial["failure_timeline"]["data"][0]["x"][0] == pytest.approx(5000 / 1609.344)


@pytest.mark.parametrize("name", ["mode", "part", "severity", "revision", "state", "surface"])
def test_the_history_is_narrowed_by_each(season, vehicle, battery, sign_in, name):
    second, after = season[1], season[3]
    Session.objects.filter(pk=after[0].pk).update(surface="slush")
    odd = Failure.objects.create(
        revision=second, session=Session.objects.get(pk=after[0].pk), mode=FailureMode.called("lamp out"), severity=4,
        part=battery,
    )  # fmt: skip
    value = {"mode": odd.mode_id, "part": battery.pk, "severity": 4, "revision": second.pk, "state": "open",
             "surface": "slush"}[name]  # fmt: skip
    answer = sign_in("reader").get(f"/vehicles/{vehicle.pk}/bench/?{name}={value}")
    assert [item.pk for item in answer.context["shown"]] == [odd.pk]
    assert f'value="{value}" selected' in answer.content.decode()


def test_nonsense_in_the_address_breaks_nothing(season, vehicle, sign_in):
    client = sign_in("reader")
    for query in ("?mode=%00", "?severity=<script>", "?state=x&part=1&revision=' OR 1", "?surface=" + "x" * 5000):
        assert client.get(f"/vehicles/{vehicle.pk}/bench/{query}").status_code == 200


def test_an_empty_machine_has_a_bench_too(vehicle, sign_in):
    page = sign_in("reader").get(f"/vehicles/{vehicle.pk}/bench/").content.decode()
    assert "No failure is recorded." in page
    assert "No revision is ridden now" in page


def test_queries_are_fixed_with_300_failures_over_40_revisions(vehicle, revision, venue, battery, sign_in):
    client = sign_in("builder")
    modes = [FailureMode.called(f"mode {n}") for n in range(12)]
    counts = []
    for revisions, failures in ((3, 10), (40, 300)):
        for number in range(Revision.objects.count() + 1, revisions + 1):
            made = Revision.objects.create(
                vehicle=vehicle, number=number, parent=Revision.objects.get(number=number - 1), date=date(2026, 1, 1),
                status="riding", track_width_m=1.2, cg_height_m=0.35, mass_without_rider_kg=90,
            )  # fmt: skip
            Fitting.objects.create(revision=made, part=battery)
            rides(made, venue, 2, first_day=3 * number)
            for measure in ("top_speed", "stability", "failure_rate"):
                Modification.objects.create(
                    revision=made, title=f"{measure} {number}", expected_measure=measure, expected_direction="up"
                )
        everyone = list(Revision.objects.order_by("number"))
        for index in range(Failure.objects.count(), failures):
            Failure.objects.create(
                revision=everyone[index % len(everyone)], mode=modes[index % 12], severity=index % 4 + 1,
                happened_at=START + timedelta(hours=index),
            )  # fmt: skip
        for fix in Modification.objects.filter(expected_measure="failure_rate"):
            fix.answers.set(Failure.objects.filter(revision__number__lt=fix.revision.number)[:2])
        with CaptureQueriesContext(connection) as captured:
            assert client.get(f"/vehicles/{vehicle.pk}/bench/").status_code == 200
        counts.append(len(captured))
    assert counts[0] == counts[1] <= 31


# What to test next (in full: test_next_tests.py)


def test_open_questions_come_in_order_and_become_a_card(season, vehicle, sign_in):
    client = sign_in("recorder")
    questions = questions_of(bench_of(vehicle, Filters()))
    assert questions[0].what == "Inspect “Tensioner” on R2 before and after the ride"
    assert any("Coast-down" in question.what for question in questions)
    assert [question.rank for question in questions] == sorted((question.rank for question in questions), reverse=True)
    answer = client.post(f"/vehicles/{vehicle.pk}/bench/card/")
    card = TestCard.objects.get()
    assert answer.url == f"/test-cards/{card.pk}/edit/"
    assert [item.what for item in card.items.all()] == [question.what for question in questions]
    assert "Water on the ice" in card.stops_the_day


def test_no_card_without_a_revision(vehicle, sign_in):
    answer = sign_in("recorder").post(f"/vehicles/{vehicle.pk}/bench/card/", follow=True)
    assert "nothing to plan yet" in answer.content.decode()
    assert not TestCard.objects.exists()
