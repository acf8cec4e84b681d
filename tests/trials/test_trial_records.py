"""Trials as records: what counts for one, what its plan promised, and that it keeps its decision."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from buildlog.models import Modification, Revision
from sessions.models import Assumptions, Pass, Session, TestCard, Trial
from tests import filled_forms
from tests.trials.test_questions import START, comparison, ridden  # noqa: F401 (a fixture)

TODAY = START.date()
pytestmark = pytest.mark.usefixtures("from_noon")


def opened(client, **typed):
    answer = client.post("/trials/new/", {"planned_days": "6", "measure": "mean_gate_speed", **typed})
    assert answer.status_code == 302, answer.context["form"].errors
    return Trial.objects.order_by("made_at").last()


def edit(client, path, **typed):
    """Open a form, change some of it, and send it."""
    return client.post(path, {**filled_forms.opened(client, path), **typed})


@pytest.fixture
def planned(ridden):  # noqa: F811
    """R3, made from R2 and not ridden yet."""
    return Revision.objects.create(
        vehicle=ridden.vehicle, number=3, parent=ridden, date=date(2026, 3, 1), status="planned"
    )


def ride(revision, day, speed_mps=16.2):
    other = Session.objects.filter(revision__vehicle=revision.vehicle).latest("started_at")
    session = Session.objects.create(
        revision=revision, venue=other.venue, started_at=START + timedelta(days=day), surface="clear_ice",
        air_temperature_c=-8.0 + 0.3 * (day % 3), rider_mass_kg=75.0,
    )  # fmt: skip
    gate = other.venue.gates.get()
    for number in range(4):
        scatter = 1 + 0.004 * ((day * 7 + number * 3) % 5 - 2)
        Pass.objects.create(
            session=session, gate=gate, number=number + 1, direction="out" if number % 2 else "back",
            duration_s=100.0 / (speed_mps * scatter),
        )  # fmt: skip
    return session


def test_a_trial_says_beforehand_what_its_days_would_show(planned, sign_in):
    client = sign_in("builder")
    trial = opened(client, revision=planned.pk, against=planned.parent_id)
    assert (trial.counts_from, trial.planned_days) == (None, 6)
    # Days of `ridden` scatter by 1 %, passes by 1 % on top.
    assert 0.005 < trial.spread < 0.02
    assert trial.tells > trial.spread
    assert 0 <= trial.chance_of_none <= 1
    page = client.get(f"/trials/{trial.pk}/").content.decode()
    assert "6 days would show a change of" in page
    [row] = [row for row in comparison(client, planned.vehicle)["questions"] if row["planned"]]
    assert (row["trial"], row["opened_on"]) == (str(trial.pk), timezone.localdate().isoformat())
    assert (row["revision"], row["against"], row["planned_sessions"]) == (3, 2, 6)


def test_more_days_and_both_builds_a_day_promise_more(planned, sign_in):
    client = sign_in("builder")
    trial = opened(client, revision=planned.pk, against=planned.parent_id)
    six = trial.tells
    path = f"/trials/{trial.pk}/edit/"
    edit(client, path, planned_days="12")
    trial.refresh_from_db()
    assert (trial.planned_days, trial.tells < six) == (12, True)
    edit(client, path, planned_days="4", both_builds="on")
    trial.refresh_from_db()
    assert trial.both_builds
    page = client.get(f"/trials/{trial.pk}/").content.decode()
    assert page.index("Day 1: R2, then R3") < page.index("Day 2: R3, then R2")


def test_the_plan_is_frozen_at_the_first_day_and_the_question_from_the_start(planned, sign_in):
    client = sign_in("builder")
    trial = opened(client, revision=planned.pk, against=planned.parent_id)
    ride(planned, 60)
    answer = edit(client, f"/trials/{trial.pk}/edit/", planned_days="20", note="more")
    assert answer.status_code == 422
    assert "promises nothing" in answer.content.decode()
    stored = client.get(f"/api/v1/trials/{trial.pk}/").json()
    changed = {**stored, "against": str(Revision.objects.get(number=1).pk)}
    answer = client.put(f"/api/v1/trials/{trial.pk}/", changed, content_type="application/json")
    assert (answer.status_code, "keeps its question" in answer.content.decode()) == (400, True)
    assert edit(client, f"/trials/{trial.pk}/edit/", note="more").status_code == 302


def test_asking_after_looking_counts_only_what_is_ridden_later(ridden, sign_in):  # noqa: F811
    client = sign_in("builder")
    own = opened(client, revision=ridden.pk, against=ridden.parent_id)
    assert own.counts_from is None  # the machine has asked this since the first day
    other = opened(client, revision=ridden.pk, against=ridden.parent_id, measure="two_way_mean_speed")
    assert other.counts_from == timezone.localdate()
    answer = client.post(
        "/trials/new/",
        {"planned_days": "6", "measure": "two_way_mean_speed", "revision": ridden.pk, "against": ridden.parent_id},
    )
    assert (answer.status_code, "open trial of this question" in answer.content.decode()) == (422, True)
    rows = {row["trial"]: row for row in comparison(client, ridden.vehicle)["questions"]}
    assert rows[str(own.pk)]["sessions"] == 8
    assert rows[str(other.pk)]["sessions"] == 0
    assert f"counts from {timezone.localdate():%Y-%m-%d} on" in client.get(f"/trials/{other.pk}/").content.decode()


def test_a_day_that_was_ridden_already_does_not_count_for_a_trial_opened_on_it(ridden, sign_in):  # noqa: F811
    Session.objects.filter(revision=ridden).update(started_at=timezone.now())
    trial = opened(sign_in("builder"), revision=ridden.pk, against=ridden.parent_id, planned_days="8")
    assert trial.counts_from == timezone.localdate() + timedelta(days=1)


def test_a_decision_is_kept_and_marked_when_a_fact_under_it_is_corrected(ridden, sign_in):  # noqa: F811
    client = sign_in("builder")
    trial = opened(client, revision=ridden.pk, against=ridden.parent_id)
    [row] = [row for row in comparison(client, ridden.vehicle)["questions"] if row["planned"]]
    decided = row["decided"]
    assert (decided["answer"], decided["kept"], decided["corrected"]) == ("higher", True, False)
    trial.refresh_from_db()
    assert trial.decided_on.isoformat() == decided["on"]
    ride(ridden, 90, speed_mps=9.0)  # later days change today's answer, not the decision
    [row] = [row for row in comparison(client, ridden.vehicle)["questions"] if row["planned"]]
    assert row["decided"] == decided
    first = Session.objects.filter(revision=ridden).earliest("started_at")
    first.passes.all().delete()
    [row] = [row for row in comparison(client, ridden.vehicle)["questions"] if row["planned"]]
    assert row["decided"] == {**decided, "corrected": True}
    assert "A fact under it was corrected since" in client.get(f"/trials/{trial.pk}/").content.decode()
    page = client.get(f"/compare/?vehicle={ridden.vehicle_id}").content.decode()
    assert "A fact under it was corrected since" in page


def test_filtered_sessions_decide_nothing_that_is_kept(ridden, sign_in):  # noqa: F811
    client = sign_in("builder")
    trial = opened(client, revision=ridden.pk, against=ridden.parent_id)
    client.get(f"/compare/?vehicle={ridden.vehicle_id}&direction=out")
    trial.refresh_from_db()
    assert trial.decided_on is None
    client.get(f"/compare/?vehicle={ridden.vehicle_id}")
    trial.refresh_from_db()
    assert trial.decided_answer == "higher"


def test_a_trial_closes_and_opens_again(planned, sign_in):
    client = sign_in("builder")
    trial = opened(client, revision=planned.pk, against=planned.parent_id)
    client.post(f"/trials/{trial.pk}/close/")
    trial.refresh_from_db()
    assert trial.state == "closed"
    opened(client, revision=planned.pk, against=planned.parent_id)
    answer = client.post(f"/trials/{trial.pk}/close/", follow=True)
    assert "Another trial of the same question is open" in answer.content.decode()


@pytest.mark.parametrize("both", [False, True])
def test_one_button_makes_the_card_of_the_next_day(planned, sign_in, both):
    typed = {"both_builds": "on"} if both else {}
    trial = opened(sign_in("builder"), revision=planned.pk, against=planned.parent_id, **typed)
    answer = sign_in("recorder").post(f"/trials/{trial.pk}/card/")
    card = TestCard.objects.get()
    assert answer.url == f"/test-cards/{card.pk}/edit/"
    assert (card.trial, card.revision, "stops" in card.stops_the_day or bool(card.stops_the_day)) == (
        trial, planned, True,
    )  # fmt: skip
    lines = [item.what for item in card.items.all()]
    if both:
        assert lines[0].startswith("Six passes, three each way, through the gate with R2")
        assert lines[1].startswith("Change the build to R3")
    else:
        assert lines[0].startswith("Six passes, three each way, through the gate with R3, ridden like R2: ")
        assert "clear ice" in lines[0]
    assert f"/test-cards/{card.pk}/" in sign_in("reader").get(f"/trials/{trial.pk}/").content.decode()


def test_a_modification_is_asked_by_its_trial_too(planned, sign_in):
    change = Modification.objects.create(
        revision=planned, title="Taller gearing", expected_measure="top_speed", expected_direction="up",
        expected_amount_percent=5,
    )  # fmt: skip
    client = sign_in("builder")
    trial = opened(
        client, revision=planned.pk, against=planned.parent_id, measure="best_gate_speed", modification=change.pk
    )
    [row] = [row for row in comparison(client, planned.vehicle)["questions"] if row["planned"]]
    assert row["modification"] == str(change.pk)
    for day in range(50, 53):
        ride(planned, day)
    rows = [row for row in comparison(client, planned.vehicle)["questions"] if row["modification"] == str(change.pk)]
    assert [row["trial"] for row in rows] == [str(trial.pk)]  # the machine asks it now, and it is one question


def test_the_database_holds_what_a_trial_is(planned):
    def make(**fields):
        with transaction.atomic():
            Trial.objects.create(**{"revision": planned, "against": planned.parent, "measure": "range", **fields})

    make()
    for broken in (
        {},  # a second open one
        {"against": planned, "measure": "energy_per_km"},
        {"planned_days": 3, "measure": "energy_per_km"},
        {"decided_on": TODAY, "measure": "energy_per_km"},
        {"tells": -0.1, "measure": "energy_per_km"},
    ):
        with pytest.raises(IntegrityError):
            make(**broken)
    stranger = Trial(revision=planned, against=planned.parent, measure="range", planned_days=41)
    with pytest.raises(ValidationError):
        stranger.full_clean()


def test_assumptions_of_the_machine_take_the_place_of_the_usual_ones(ridden, sign_in):  # noqa: F811
    client = sign_in("builder")
    before = {row["measure"]: row for row in comparison(client, ridden.vehicle)["questions"]}
    path = f"/vehicles/{ridden.vehicle_id}/assumptions/"
    typed = {"speed_difference_fraction": "20", "page_error_fraction": "10 %", "trial_power_fraction": "90"}
    assert edit(client, path, **typed).status_code == 302
    assert Assumptions.objects.get().speed_difference_fraction == 0.2
    answers = comparison(client, ridden.vehicle)
    after = {row["measure"]: row for row in answers["questions"]}
    assert answers["error"] == 0.1
    for key in ("mean_gate_speed", "energy_per_km"):
        assert after[key]["confidence"] < before[key]["confidence"]
    page = client.get(f"/compare/?vehicle={ridden.vehicle_id}")
    assert "share one 10 % risk of a false claim" in page.content.decode()
    bands = {row.label: row.picture.band_width for row in page.context["comparison"].answers.rows}
    assert bands["Mean gate speed"] > 3 * bands["Energy per km, as ridden"]


def test_the_list_shows_open_trials_first_in_a_fixed_number_of_queries(planned, sign_in):
    client = sign_in("builder")
    decided = opened(client, revision=planned.parent_id, against=planned.parent.parent_id)
    comparison(client, planned.vehicle)
    counts = []
    for measure in ("range", "energy_per_km"):
        opened(client, revision=planned.pk, against=planned.parent_id, measure=measure)
        with CaptureQueriesContext(connection) as captured:
            page = client.get(f"/trials/?vehicle={planned.vehicle_id}")
        counts.append(len(captured))
        assert page.context["rows"][-1].trial == decided
    assert counts[0] == counts[1] <= 9
    trial = Trial.objects.get(measure="range")
    with CaptureQueriesContext(connection) as captured:
        client.get(f"/trials/{trial.pk}/")
    assert len(captured) <= 26


def test_a_trial_goes_along_in_the_machine_s_archive(planned, sign_in, tmp_path):
    from sessions.sharing.archive import export_machine, import_machine

    client = sign_in("builder")
    trial = opened(client, revision=planned.parent_id, against=planned.parent.parent_id)
    comparison(client, planned.vehicle)
    client.post(f"/trials/{opened(client, revision=planned.pk, against=planned.parent_id).pk}/card/")
    card = TestCard.objects.get()
    stored = {row.pk: row for row in Trial.objects.all()}
    assert stored[trial.pk].decided_on
    file = tmp_path / "machine.zip"
    with file.open("wb") as target:
        export_machine(planned.vehicle, target)
    Session.objects.all().delete()
    planned.vehicle.delete()
    assert not Trial.objects.exists()
    with file.open("rb") as source:
        import_machine(source, file.stat().st_size)
    for row in Trial.objects.all():
        names = [column.attname for column in Trial._meta.concrete_fields if column.name != "made_by"]
        assert [getattr(row, name) for name in names] == [getattr(stored[row.pk], name) for name in names]
    assert Trial.objects.count() == 2
    assert TestCard.objects.get().trial_id == card.trial_id


def test_an_open_trial_is_among_the_questions_of_the_bench(planned, sign_in):
    client = sign_in("builder")
    trial = opened(client, revision=planned.pk, against=planned.parent_id, measure="two_way_mean_speed")
    path = f"/api/v1/vehicles/{planned.vehicle_id}/bench/"
    [listed] = [row for row in client.get(path).json()["trials"] if row["trial"] == str(trial.pk)]
    assert (listed["modification"], listed["measure"], listed["answer"]) == (
        None,
        "two_way_mean_speed",
        "not_yet_known",
    )
    compared = client.get(f"/api/v1/vehicles/{planned.vehicle_id}/comparison/").json()["questions"]
    [asked] = [row for row in compared if row["trial"] == str(trial.pk)]
    # What would tell a change is not what was planned, and both say the same.
    assert listed["more_sessions"] == asked["more_sessions"] != trial.planned_days
    # It is not asked for before its revision rides.
    assert not any(step["trial"] for step in client.get(path).json()["next"])
    Revision.objects.filter(pk=planned.pk).update(status="riding")
    ride(planned, 60)
    [step] = [step for step in client.get(path).json()["next"] if step["trial"]]
    assert (step["kind"], step["revision"], step["trial"]) == ("ride_this_trial", 3, str(trial.pk))
    assert "Ride day 2 of a trial with R3" in step["sentence"]
    assert "1 of 6 planned days are ridden" in step["sentence"]
    # Decided by the rule when somebody looks at the bench, it is open no more.
    for day in range(61, 66):
        ride(planned, day, speed_mps=24.0)
    assert not any(step["trial"] for step in client.get(path).json()["next"])
    trial.refresh_from_db()
    assert trial.decided_answer == "higher"


def test_a_trial_whose_days_are_ridden_is_to_be_closed(planned, sign_in):
    client = sign_in("builder")
    trial = opened(client, revision=planned.pk, against=planned.parent_id, measure="energy_per_km", planned_days="4")
    Revision.objects.filter(pk=planned.pk).update(status="riding")
    # R1 and R2 take about 40 Wh/km; days of R3 scatter about that too widely for four of them to say anything.
    for day, wh_per_km in enumerate((30.0, 52.0, 33.0, 49.0)):
        session = ride(planned, 60 + day)
        Session.objects.filter(pk=session.pk).update(distance_m=5000.0, energy_used_wh=5 * wh_per_km)
    steps = client.get(f"/api/v1/vehicles/{planned.vehicle_id}/bench/").json()["next"]
    [step] = [step for step in steps if step["trial"]]
    assert (step["kind"], step["trial"]) == ("stop_testing_this", str(trial.pk))
    assert "4 of 4 planned days are ridden, and it is not settled." in step["sentence"]
    page = client.get(f"/vehicles/{planned.vehicle_id}/bench/").content.decode()
    assert "4 of 4 planned days" in page


def test_a_test_card_names_its_trial_in_the_api(planned, sign_in):
    client = sign_in("builder")
    trial = opened(client, revision=planned.pk, against=planned.parent_id)
    client.post(f"/trials/{trial.pk}/card/")
    [card] = client.get("/api/v1/test-cards/").json()["results"]
    assert card["trial"] == str(trial.pk)
    body = {"revision": str(planned.pk), "title": "By hand", "trial": str(trial.pk)}
    answer = client.post("/api/v1/test-cards/", body, content_type="application/json")
    assert (answer.status_code, answer.json()["trial"]) == (201, str(trial.pk))
    body["revision"] = str(planned.parent_id)
    answer = client.post("/api/v1/test-cards/", body, content_type="application/json")
    assert (answer.status_code, "which is ridden with R3" in answer.content.decode()) == (400, True)
    # A card of the trial that is moved to another revision by its form gets the same answer.
    answer = edit(client, f"/test-cards/{card['id']}/edit/", revision=str(planned.parent_id))
    assert (answer.status_code, "which is ridden with R3" in answer.content.decode()) == (422, True)
