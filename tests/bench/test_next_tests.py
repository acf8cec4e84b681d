"""What to test next: nothing that can hurt somebody is provoked, and nothing is asked for that no season can give."""

import html
from datetime import UTC, date, datetime, timedelta

import pytest

from buildlog.models import Failure, FailureMode, Fitting, Modification, Part, Revision
from sessions.bench.machine_bench import Filters, bench_of
from sessions.bench.next_tests import MOST, for_a_card, questions_of
from sessions.models import Session, TestCard

START = datetime(2026, 1, 10, 10, 0, tzinfo=UTC)


@pytest.fixture
def made(vehicle, revision):
    """Another revision of the machine; R1 is retired, as it is once something newer is ridden."""
    Revision.objects.filter(pk=revision.pk).update(status="retired")

    def make(number, status="riding", parent=revision):
        return Revision.objects.create(
            vehicle=vehicle, number=number, parent=parent, date=date(2026, 2, 1), status=status, cg_height_m=0.4
        )

    return make


@pytest.fixture
def ride(venue):
    def go(revision, km, day=0, sessions=1, runtime_s=None):
        # At 20 km/h; a faster machine would be in doubt.
        runtime_s = runtime_s or 180.0 * (km or 20) / sessions
        for index in range(sessions):
            Session.objects.create(
                revision=revision, venue=venue, started_at=START + timedelta(days=day + index), runtime_s=runtime_s,
                distance_m=None if km is None else 1000.0 * km / sessions, charge_used_ah=8.0,
                rest_voltage_start_v=58.0, rest_voltage_end_v=52.0,
            )  # fmt: skip

    return go


@pytest.fixture
def came(revision):
    def happen(severity, mode="brake cable broke", on=None, day=0):
        return Failure.objects.create(
            revision=on or revision, mode=FailureMode.called(mode), severity=severity,
            happened_at=START + timedelta(days=day),
        )  # fmt: skip

    return happen


def fix(failure, on, title="Thicker cable", **more):
    modification = Modification.objects.create(revision=on, title=title, **more)
    modification.answers.add(failure)
    return modification


def asked(vehicle):
    return [question.what for question in questions_of(bench_of(vehicle, Filters()))]


def test_an_open_failure_that_can_hurt_comes_first(vehicle, made, came, ride, revision, sign_in):
    ride(revision, 60)
    second = made(2)
    came(3, "chain came off")
    came(2, "lifted a runner"), came(2, "lifted a runner", day=1), came(1)
    what = asked(vehicle)
    assert what[:2] == [
        "Do not ride until a fix for “brake cable broke” (severity I) is fitted",
        "Do not ride until a fix for “lifted a runner” (severity II) is fitted",
    ]
    assert not any("Do not ride" in item for item in what[2:])
    assert not any("lifted a runner" in item for item in what[2:])
    assert second.label == "R2"
    page = html.unescape(sign_in("reader").get(f"/vehicles/{vehicle.pk}/bench/").content.decode())
    assert page.index(f"<h2>{what[0]}</h2>") < page.index(f"<h2>{what[1]}</h2>") < page.index("What failed")


def test_a_fix_on_paper_or_on_a_branch_is_not_on_the_machine(vehicle, made, came, ride, revision):
    failure = came(2)
    ride(revision, 60)
    second = made(2, "retired")
    fix(failure, second)
    third = made(3, "riding")
    assert asked(vehicle)[0] == (
        "Do not ride until “Thicker cable” or another fix for “brake cable broke” (severity II) is fitted to R3"
    )
    Revision.objects.filter(pk=third.pk).update(parent=second)
    assert not any("Do not ride" in item for item in asked(vehicle))


def test_what_may_have_been_taken_off_is_checked_first(vehicle, made, came, ride, revision):
    parts = [Part.objects.create(name=name, category="other") for name in ("Cable", "Lamp", "Seat")]
    failure = came(2)
    ride(revision, 60)
    second = made(2, "retired")
    third = made(3, "riding", parent=second)
    for of, fitted in ((revision, parts[2:]), (second, parts), (third, parts[1:])):
        Fitting.objects.bulk_create(Fitting(revision=of, part=part) for part in fitted)
    fix(failure, second)
    assert asked(vehicle)[0] == (
        "Do not ride until somebody has checked that “Thicker cable” is still fitted to R3: it answers “brake cable "
        "broke” (severity II)"
    )


def test_one_fix_answers_its_mode_also_where_it_names_another_failure_of_it(vehicle, made, came, ride, revision):
    came(2)
    failure = came(2, day=1)
    ride(revision, 60)
    fix(failure, made(2))
    assert not any("Do not ride" in item for item in asked(vehicle))


@pytest.mark.parametrize("severity", [1, 2])
def test_severity_one_and_two_are_never_provoked(severity, vehicle, made, came, ride, revision):
    failure = came(severity)
    ride(revision, 60)
    second = made(2)
    fix(failure, second)
    ride(second, 30, 5)
    what = asked(vehicle)
    assert what[0] == "Inspect “Thicker cable” on R2 before and after the ride"
    assert not any("brake cable broke" in item for item in what)


def test_a_mode_that_once_could_hurt_is_not_provoked_in_its_milder_form(vehicle, made, came, ride, revision):
    came(2), came(4, day=1)
    failure = came(4, day=2)
    ride(revision, 60)
    second = made(2)
    fix(failure, second)
    ride(second, 30, 5)
    assert not any("Look for “brake cable broke”" in item for item in asked(vehicle))


def test_a_milder_failure_is_looked_for_while_riding(vehicle, made, came, ride, revision):
    failure = came(3), came(3, day=1)
    ride(revision, 60)
    second = made(2)
    fix(failure[0], second)
    ride(second, 60, 5)
    # By hand: 2 · 60 km · (√(1/0.3) − 1) = 99.1 km, of which 60 are ridden.
    [question] = [item for item in questions_of(bench_of(vehicle, Filters())) if "brake cable broke" in item.what]
    assert question.what == "Ride R2 as when “brake cable broke” happened, and look for it"
    assert question.why == "Does “Thicker cable” hold? 39 km more without the failure would show that it does."


def test_what_needs_more_than_the_season_has_given_is_shown_another_way(vehicle, made, came, ride, revision):
    """Issue 16, point 6: 1,334 km were asked for where 205 were ridden."""
    failure = came(3)
    ride(revision, 195)
    second = made(2)
    fix(failure, second)
    ride(second, 10, 5)
    [question] = [item for item in questions_of(bench_of(vehicle, Filters())) if "brake cable broke" in item.what]
    assert question.what == "Inspect, calculate or bench-test “Thicker cable” against “brake cable broke”"
    # By hand: 2 · 195 km · (1/0.3 − 1) = 910 km, less 10.
    assert question.why == "Riding would take 900 km more without “brake cable broke”; 205 km were ridden so far."


def test_where_no_earlier_rate_is_known_riding_is_not_proposed(vehicle, made, came, ride, revision):
    """It said "it may be called held"."""
    failure = came(3)
    second = made(2)
    fix(failure, second)
    ride(second, 30, 5)
    [question] = [item for item in questions_of(bench_of(vehicle, Filters())) if "brake cable broke" in item.what]
    assert question.what.startswith("Inspect, calculate or bench-test “Thicker cable”")


def test_hours_are_compared_with_the_hours_ridden(vehicle, made, came, ride, revision):
    failure = came(3), came(3, day=1)
    ride(revision, None)
    second = made(2)
    fix(failure[0], second)
    ride(second, 30, 5, runtime_s=5400.0)
    # By hand: 2 · 1 h · (√(1/0.3) − 1) = 1.65 h, less 1.5 h.
    [question] = [item for item in questions_of(bench_of(vehicle, Filters())) if "brake cable broke" in item.what]
    assert question.why.startswith("Does “Thicker cable” hold? 9 min 5 s more")


@pytest.mark.parametrize("given_up", [True, False])
def test_nothing_is_proposed_with_a_revision_that_is_not_ridden(given_up, vehicle, made, came, ride, revision):
    """A fix, and an expected gain, on a revision that was given up for another branch, or is ridden on."""
    second = made(2, "retired" if given_up else "riding")
    failure = came(3)
    came(3, day=1)
    fix(failure, second)
    Modification.objects.create(
        revision=second, title="Taller gearing", expected_measure="consumption", expected_direction="down"
    )
    ride(revision, 60, sessions=3), ride(second, 60, 5, sessions=1)
    if given_up:
        made(3)
    what = asked(vehicle)
    assert ("Ride R2 as when “brake cable broke” happened, and look for it" in what) != given_up
    assert any(item.startswith("Six passes both ways and a measured distance with R2") for item in what) != given_up


def test_a_parent_that_is_not_ridden_any_more_is_not_asked_for(vehicle, made, ride, revision):
    second = made(2)
    Modification.objects.create(
        revision=second, title="Taller gearing", expected_measure="consumption", expected_direction="down"
    )
    ride(second, 60, 5, sessions=4)
    assert not any("Taller gearing" in question.why for question in questions_of(bench_of(vehicle, Filters())))


def test_more_sessions_than_a_season_holds_are_not_asked_for(vehicle, made, venue, revision):
    second = made(2)
    Modification.objects.create(
        revision=second, title="Fairing", expected_measure="consumption", expected_direction="down",
        expected_amount_percent=1,
    )  # fmt: skip
    for place, (of, used) in enumerate(((revision, (8.0, 9.6, 6.4, 8.8, 7.1)), (second, (8.1, 9.5, 6.5, 8.9, 7.0)))):
        for day, charge_ah in enumerate(used):
            Session.objects.create(
                revision=of, venue=venue, started_at=START + timedelta(days=day + 10 * place), distance_m=10_000.0,
                charge_used_ah=charge_ah, rest_voltage_start_v=58.0, rest_voltage_end_v=52.0,
            )  # fmt: skip
    [question] = [item for item in questions_of(bench_of(vehicle, Filters())) if "Fairing" in item.why + item.what]
    assert question.what == "Calculate or bench-test what “Fairing” changes"
    assert "Showing it takes more days with R2 than a season has." in question.why


def test_what_must_not_be_ridden_is_never_cut_short(vehicle, made, came, ride, revision, sign_in):
    ride(revision, 60)
    made(2)
    for index in range(MOST + 3):
        came(1, f"mode {index}")
    what = asked(vehicle)
    assert len(what) == MOST + 3
    assert all(item.startswith("Do not ride until") for item in what)
    sign_in("recorder").post(f"/vehicles/{vehicle.pk}/bench/card/")
    assert [test_card.what for test_card in TestCard.objects.get().items.all()] == what


def test_a_height_that_its_parts_give_is_not_called_lacking(vehicle, made, ride, revision):
    """Seen: "The tip-over limit needs it" beside a limit that was worked out from the parts."""
    second = made(2)
    Revision.objects.all().update(cg_height_m=None, mass_without_rider_kg=None)
    ride(second, 20)

    def asked():
        rows = questions_of(bench_of(vehicle, Filters()))
        return next(row.why for row in rows if row.what == "Measure the height of the centre of gravity")

    assert asked() == "The tip-over limit needs it."
    frame = Part.objects.create(name="Whole frame", category="frame", mass_kg=90.0)
    Fitting.objects.create(revision=second, part=frame, x_m=0.7, z_m=0.35)
    assert asked() == "The tip-over limit rests on where its parts are said to be; a tilt test corrects it."


def test_what_was_ridden_in_build_is_to_be_released(vehicle, revision, ride, sign_in):
    """After the first hour R1 has a session and is still in build: limits and rates of the bench have no machine."""
    Revision.objects.filter(pk=revision.pk).update(status="in_build")
    assert "Release R1" not in asked(vehicle)
    ride(revision, 4)
    assert asked(vehicle)[0] == "Release R1"
    page = sign_in("builder").get(f"/vehicles/{vehicle.pk}/bench/")
    text = html.unescape(page.content.decode())
    assert "It was ridden on 2026-01-10, and its record says that it is in build." in text
    assert f'<a class="act first" href="/revisions/{revision.pk}/release/">Release R1</a>' in text
    assert "release" not in html.unescape(sign_in("reader").get(f"/vehicles/{vehicle.pk}/bench/").content.decode())
    assert not any(question.is_release for question in for_a_card(questions_of(bench_of(vehicle, Filters()))))
    Revision.objects.filter(pk=revision.pk).update(status="riding")
    assert "Release R1" not in asked(vehicle)
