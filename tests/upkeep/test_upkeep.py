"""Pieces and upkeep: what each went through on all machines, and what is due, by hand."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from buildlog.machines.carry_over import carry_fittings_over
from buildlog.models import Fitting, Individual, IndividualFitting, Part, Revision, UpkeepCheck, UpkeepItem, Vehicle
from buildlog.upkeep.due import Upkeep
from calc.upkeep import State
from sessions.bench.release import release_state
from sessions.evidence.doubtful_rides import RideRows
from sessions.evidence.doubts import doubts_of_session
from sessions.models import Gate, GateMark, Pass, Session

START = datetime(2026, 1, 10, 10, 0, tzinfo=UTC)


@pytest.fixture
def chain(db):
    return Part.objects.create(name="Chain 428", category="drivetrain", counts_cycles="outings")


@pytest.fixture
def fitted(revision, chain):
    return Fitting.objects.create(revision=revision, part=chain)


@pytest.fixture
def piece(chain):
    return Individual.objects.create(part=chain, serial="A 17", distance_before_m=4000.0)


@pytest.fixture
def other(db):
    """A second machine that is ridden."""
    machine = Vehicle.objects.create(name="The other")
    return Revision.objects.create(vehicle=machine, number=1, date=date(2026, 1, 1), status="riding")


@pytest.fixture
def ride(venue):
    def go(revision, day, km=10.0, minutes=30.0, **more):
        return Session.objects.create(
            revision=revision, venue=venue, started_at=START + timedelta(days=day),
            distance_m=None if km is None else 1000.0 * km, runtime_s=None if minutes is None else 60.0 * minutes,
            **more,
        )  # fmt: skip

    return go


def due_on(revision):
    return Upkeep([revision.vehicle_id]).on(Revision.objects.select_related("vehicle").get(pk=revision.pk))


# Pieces


def test_a_piece_has_its_kilometres_of_all_machines(revision, fitted, piece, other, chain, ride, sign_in):
    """By hand: 4 km before it came, 10 + 10 km on the first machine until the 12th, 7 km on the other from the 20th."""
    there = Fitting.objects.create(revision=other, part=chain)
    IndividualFitting.objects.create(
        individual=piece, fitting=fitted, fitted_on=date(2026, 1, 10), removed_on=date(2026, 1, 12)
    )
    IndividualFitting.objects.create(individual=piece, fitting=there, fitted_on=date(2026, 1, 20))
    for day in (-1, 0, 2, 5):
        ride(revision, day)
    ride(other, 3, km=50)
    ride(other, 12, km=7, minutes=20)
    page = sign_in("reader").get(piece.get_absolute_url())
    use = page.context["use"]
    assert (use.ridden.distance_m, use.ridden.runtime_s, use.cycles) == (4000 + 20_000 + 7000, 2 * 1800 + 1200, 3)
    assert [use.ridden.distance_m for _, use in page.context["places"]] == [7000, 20_000]
    # The kind has all rides of revisions that it is fitted on: 4 of the one, 2 of the other.
    part = sign_in("builder").get(chain.get_absolute_url()).context["use"]
    assert (part.ridden.distance_m, part.ridden.rides) == (40_000 + 57_000, 6)


def test_one_piece_is_not_on_two_riding_machines_on_one_day(revision, fitted, piece, other, chain):
    here = IndividualFitting.objects.create(individual=piece, fitting=fitted, fitted_on=date(2026, 1, 10))
    there = Fitting.objects.create(revision=other, part=chain)
    second = IndividualFitting(individual=piece, fitting=there, fitted_on=date(2026, 1, 20))
    with pytest.raises(ValidationError, match="cannot be on two machines on one day"):
        second.full_clean()
    here.removed_on = date(2026, 1, 20)
    here.save()
    with pytest.raises(ValidationError, match="to 2026-01-20"):
        second.full_clean()
    here.removed_on = date(2026, 1, 19)
    here.save()
    second.full_clean()
    # Nothing is ridden of a revision that is planned or retired, so a piece may be listed there meanwhile.
    Revision.objects.filter(pk=revision.pk).update(status="retired")
    here.removed_on = None
    here.save()
    second = IndividualFitting.objects.get_or_create(individual=piece, fitting=there, fitted_on=date(2026, 1, 20))[0]
    second.full_clean()
    # Set to riding again, it is said before it is ridden.
    assert [place.pk for place in Upkeep([revision.vehicle_id]).on_two_machines(revision)] == [second.pk]


def test_a_place_takes_pieces_of_its_part_and_no_more_than_fit(fitted, piece, chain, battery):
    IndividualFitting.objects.create(individual=piece, fitting=fitted)
    second = Individual.objects.create(part=chain, serial="A 18")
    with pytest.raises(ValidationError, match="One piece is there already, and 1 may be"):
        IndividualFitting(individual=second, fitting=fitted).full_clean()
    module = Individual.objects.create(part=battery, serial="M1")
    with pytest.raises(ValidationError, match="the piece is a"):
        IndividualFitting(individual=module, fitting=fitted).full_clean()
    with pytest.raises(IntegrityError), transaction.atomic():
        Individual.objects.create(part=chain, serial="A 17")


def test_the_next_revision_takes_the_pieces_that_are_there(revision, fitted, piece, chain):
    gone = Individual.objects.create(part=chain, serial="A 16")
    IndividualFitting.objects.create(individual=gone, fitting=fitted, removed_on=date(2026, 1, 20))
    IndividualFitting.objects.create(individual=piece, fitting=fitted, fitted_on=date(2026, 1, 21))
    second = Revision.objects.create(vehicle=revision.vehicle, number=2, parent=revision, date=date(2026, 2, 1))
    assert carry_fittings_over(second) == 1
    [carried] = IndividualFitting.objects.filter(fitting__revision=second)
    assert (carried.individual, carried.from_day) == (piece, date(2026, 2, 1))


# What is due


def test_it_is_due_by_the_first_of_its_counts(revision, fitted, chain, ride):
    """By hand: every 25 km or 2 h; 20 km and 1 h since are 80 % and 50 %, 30 km are over."""
    item = UpkeepItem.objects.create(
        vehicle=revision.vehicle, part=chain, kind="interval", title="Lubricate", every_m=25_000.0, every_s=7200.0
    )
    UpkeepCheck.objects.create(item=item, done_on=date(2026, 1, 12), done_by="Ola")
    ride(revision, 0)
    for day in (2, 4):
        ride(revision, day)
    [row] = due_on(revision)
    assert (row.state, [round(count.share, 2) for count in row.counts]) == (State.NOT_DUE, [0.8, 0.5])
    assert row.since() == "20 km of 25 km, 1 h 0 min of 2 h 0 min"
    ride(revision, 6)
    [row] = due_on(revision)
    assert row.state is State.DUE
    assert row.sentence() == "Lubricate (Chain 428): every 25 km or 2 h 0 min, last done 2026-01-12."
    UpkeepCheck.objects.create(item=item, done_on=date(2026, 1, 17), done_by="Ola")
    [row] = due_on(revision)
    assert (row.state, row.use.ridden.rides) == (State.NOT_DUE, 0)
    # Without the part there is nothing to do, and its rides do not count.
    fitted.delete()
    assert due_on(revision) == []


def test_a_gap_makes_nothing_due_later(revision, ride):
    """By hand: 20 km noted, and a ride that nobody noted, at most as long as the longest: 30 km at most."""
    UpkeepItem.objects.create(vehicle=revision.vehicle, kind="interval", title="Look over", every_m=30_000.0)
    ride(revision, 0), ride(revision, 1)
    assert due_on(revision)[0].state is State.NOT_DUE
    ride(revision, 2, km=None, minutes=None)
    [row] = due_on(revision)
    assert (row.state, row.use.ridden.distance_m, row.counts[0].used) == (State.DUE, 20_000, 30_000)


def test_cycles_are_outings_or_full_charges(revision, battery, ride):
    """By hand: two modules of 12 Ah side by side; 12 Ah, 18 Ah and an unknown charge are 0.5 + 0.75 + at most 1."""
    battery.counts_cycles = "full_charges"
    battery.full_clean()
    battery.save()
    assert battery.specification["capacity_ah"] == 12.0
    Fitting.objects.create(revision=revision, part=battery, quantity=2, series=1, parallel=2)
    item = UpkeepItem(vehicle=revision.vehicle, part=battery, kind="interval", title="Measure cells", every_cycles=2)
    item.full_clean()
    item.save()
    for day, charge in enumerate((12.0, 18.0, None)):
        ride(revision, day, charge_used_ah=charge)
    [row] = due_on(revision)
    assert (row.use.cycles, row.use.longest_cycles, row.state) == (1.25, 2.25, State.DUE)
    item.part = None
    with pytest.raises(ValidationError, match="whose cycles are counted"):
        item.full_clean()


def test_a_torque_mark_is_checked_on_each_revision(revision):
    mark = UpkeepItem.objects.create(vehicle=revision.vehicle, kind="torque", title="Axle nut", torque_nm=45.0)
    [row] = due_on(revision)
    assert (row.is_due, row.often()) == (True, "once on each revision")
    assert row.sentence() == "Axle nut, 45 N·m: once on each revision, not written down as done yet."
    UpkeepCheck.objects.create(item=mark, done_on=revision.date, done_by="Ola", torque_nm=44.0)
    assert not due_on(revision)[0].is_due
    second = Revision.objects.create(
        vehicle=revision.vehicle, number=2, parent=revision, date=revision.date + timedelta(days=30)
    )
    assert due_on(second)[0].is_due
    for wrong in ({"torque_nm": None}, {"kind": "interval"}):
        with pytest.raises(IntegrityError), transaction.atomic():
            UpkeepItem.objects.filter(pk=mark.pk).update(**wrong)


def test_the_upkeep_of_a_piece_goes_with_it(revision, fitted, piece, other, chain, ride):
    item = UpkeepItem.objects.create(individual=piece, kind="interval", title="Measure its wear", every_m=30_000.0)
    place = IndividualFitting.objects.create(individual=piece, fitting=fitted, fitted_on=date(2026, 1, 1))
    ride(revision, 0, km=20)
    assert [row.item for row in due_on(revision)] == [item]
    place.removed_on = date(2026, 1, 15)
    place.save()
    there = Fitting.objects.create(revision=other, part=chain)
    IndividualFitting.objects.create(individual=piece, fitting=there, fitted_on=date(2026, 1, 16))
    assert due_on(revision) == []
    [row] = due_on(other)
    # 4 km before it came and 20 km on the first machine.
    assert (row.counts[0].used, row.state) == (24_000, State.NOT_DUE)
    ride(other, 10, km=6)
    assert due_on(other)[0].is_due


def test_days_are_counted_from_when_it_was_done(revision, ride, from_noon):
    item = UpkeepItem.objects.create(vehicle=revision.vehicle, kind="interval", title="Brake fluid", every_days=365)
    check = UpkeepCheck.objects.create(
        item=item, done_on=timezone.localdate() - timedelta(days=330), done_by="Ola"
    )  # fmt: skip
    assert due_on(revision)[0].state is State.SOON
    check.done_on -= timedelta(days=35)
    check.save()
    assert due_on(revision)[0].state is State.DUE


# Pages, interface and release


def test_page_interface_and_release_say_the_same(revision, ride, sign_in):
    vehicle, client = revision.vehicle, sign_in("builder")
    UpkeepItem.objects.create(vehicle=vehicle, kind="interval", title="Lubricate the chain", every_m=5000.0)
    UpkeepItem.objects.create(vehicle=vehicle, kind="torque", title="Axle nut", torque_nm=45.0)
    UpkeepItem.objects.create(vehicle=vehicle, kind="interval", title="Grease", every_m=900_000.0)
    ride(revision, 0)
    answer = client.get(f"/api/v1/vehicles/{vehicle.pk}/upkeep/").json()
    assert [(row["title"], row["state"]) for row in answer["upkeep"]] == [
        ("Lubricate the chain", "due"), ("Axle nut", "due"), ("Grease", "not_due"),
    ]  # fmt: skip
    page = client.get(f"/vehicles/{vehicle.pk}/upkeep/").content.decode()
    assert "2 due of 3" in page
    assert "Axle nut, 45 N·m" in page
    limits = client.get(f"/api/v1/revisions/{revision.pk}/limits/").json()["release"]["points"]
    text = {point["title"]: point["sentence"] for point in limits if point["area"] == "Upkeep"}
    assert text == {
        "Upkeep is due: Lubricate the chain.": answer["upkeep"][0]["sentence"],
        "Torque mark to be checked: Axle nut.": answer["upkeep"][1]["sentence"],
    }
    release = client.get(f"/revisions/{revision.pk}/release/").content.decode()
    assert "Torque mark to be checked: Axle nut." in release
    for item in UpkeepItem.objects.all():
        typed = {"done_on": "2026-01-11", "done_by": "Ola"}
        assert client.post(f"/upkeep-items/{item.pk}/done/", typed).status_code == 302
    assert "0 due of 3" in client.get(f"/vehicles/{vehicle.pk}/upkeep/").content.decode()
    assert not any(
        point["area"] == "Upkeep"
        for point in client.get(f"/api/v1/revisions/{revision.pk}/limits/").json()["release"]["points"]
    )


def test_the_phone_asks_for_what_is_due(revision, sign_in):
    UpkeepItem.objects.create(vehicle=revision.vehicle, kind="torque", title="Axle nut", torque_nm=45.0)
    text = sign_in("recorder").get("/api/v1/field/").content.decode()
    assert "Torque mark to be checked: Axle nut." in text


def test_pages_take_as_many_queries_however_much_is_written_down(revision, fitted, piece, ride, sign_in):
    client, counts = sign_in("reader"), []
    IndividualFitting.objects.create(individual=piece, fitting=fitted)
    for items in (1, 20):
        for index in range(items):
            item = UpkeepItem.objects.create(
                vehicle=revision.vehicle, kind="interval", title=f"{items}.{index}", every_m=1000.0
            )
            UpkeepCheck.objects.create(item=item, done_on=date(2026, 1, 9), done_by="Ola")
            ride(revision, index)
        for path in (f"/vehicles/{revision.vehicle_id}/upkeep/", piece.get_absolute_url()):
            with CaptureQueriesContext(connection) as captured:
                assert client.get(path).status_code == 200
            counts.append(len(captured))
    assert counts[:2] == counts[2:]
    assert max(counts) <= 19, counts


def test_forms_say_what_is_wrong_and_lose_nothing(revision, piece, sign_in):
    client = sign_in("builder")
    path = f"/vehicles/{revision.vehicle_id}/new-upkeep/interval/"
    answer = client.post(path, {"title": "Lubricate"})
    assert (answer.status_code, "every 50 km or every 30 days" in answer.content.decode()) == (422, True)
    answer = client.post(path, {"title": "Lubricate", "every_m": "31 mi"})
    assert answer.status_code == 302
    assert UpkeepItem.objects.get().every_m == pytest.approx(49_889.7, abs=0.1)
    answer = client.post(f"/vehicles/{revision.vehicle_id}/new-upkeep/torque/", {"title": "Axle nut"})
    assert answer.status_code == 422
    answer = client.post(f"/parts/{piece.part_id}/new-piece/", {"serial": " A  17 "})
    assert (answer.status_code, "already a piece" in answer.content.decode()) == (422, True)
    assert client.post(f"/parts/{piece.part_id}/new-piece/", {"serial": "A 18"}).status_code == 302
    assert client.get(f"/vehicles/{revision.vehicle_id}/new-upkeep/nonsense/").status_code == 404


def test_a_ride_in_doubt_counts_as_unknown_and_as_long_as_it_may_have_been(revision, fitted, piece, ride, sign_in):
    """By hand: two outings of 10 km in 30 min, one of "0.01 km" in 30 min, a slip for 10 km: 20 km are known, and the
    third may have been as far as its time at the fastest pace, 10 km."""
    IndividualFitting.objects.create(individual=piece, fitting=fitted)
    vehicle = revision.vehicle
    item = UpkeepItem.objects.create(vehicle=vehicle, kind="interval", title="Lubricate", every_m=29_000.0)
    ride(revision, 0)
    ride(revision, 1)
    [row] = due_on(revision)
    assert (row.use.ridden.distance_m, row.use.ridden.in_doubt, row.is_due) == (20_000.0, 0, False)
    slip = ride(revision, 2, km=0.01)
    timed = {"session": slip, "gate": Gate.objects.create(venue=slip.venue, name="100 m"), "duration_s": 20.0}
    GateMark.objects.create(gate=timed["gate"], position_m=0.0)
    GateMark.objects.create(gate=timed["gate"], position_m=100.0)
    for number in range(3):
        Pass.objects.create(number=number + 1, direction="out", **timed)
    [row] = due_on(revision)
    assert (row.use.ridden.distance_m, row.use.ridden.in_doubt) == (20_000.0, 1)
    assert row.use.ridden.longest("trip") == pytest.approx(30_000.0)
    assert row.is_due
    assert "1 outing in doubt counts as unknown" in row.since()
    client = sign_in("builder")
    assert "1 outing in doubt counts as unknown" in client.get(f"/vehicles/{vehicle.pk}/upkeep/").content.decode()
    answer = client.get(f"/api/v1/vehicles/{vehicle.pk}/upkeep/").json()["upkeep"][0]
    assert (answer["item"], answer["known_m"], answer["in_doubt"]) == (str(item.pk), 20_000.0, 1)
    for page in (piece.get_absolute_url(), piece.part.get_absolute_url()):
        assert "1 of them has a value in doubt" in client.get(page).content.decode()
    [point] = [point for point in release_state(revision).open_points if point.area == "Upkeep"]
    assert point.title == "Upkeep is due: Lubricate."
    # Confirmed by a person, it is as long as it says.
    for doubt in doubts_of_session(slip).listed_of(slip):
        client.post(f"/doubts/session/{slip.pk}/confirm/", {"rule": doubt.doubt.key, "reason": "Only across the bay."})
    [row] = due_on(revision)
    assert (row.use.ridden.distance_m, row.use.ridden.in_doubt, row.is_due) == (20_010.0, 0, False)


def test_a_charge_in_doubt_is_a_cycle_at_least(revision, ride):
    """A pack of 12 Ah from which 60 Ah were used in one outing: not known, and at most five full charges."""
    module = {"nominal_voltage_v": 50.4, "full_voltage_v": 58.8, "empty_voltage_v": 35.0, "capacity_ah": 12.0}
    part = Part.objects.create(
        name="Module", category="battery_module", specification=module, counts_cycles="full_charges"
    )
    Fitting.objects.create(revision=revision, part=part, series=1, parallel=1)
    UpkeepItem.objects.create(vehicle=revision.vehicle, part=part, kind="interval", title="Balance", every_cycles=5)
    ride(revision, 0, charge_used_ah=6.0)
    [row] = due_on(revision)
    assert (row.use.cycles, row.use.longest_cycles) == (0.5, 0.5)
    ride(revision, 1, charge_used_ah=60.0)
    [row] = due_on(revision)
    assert (row.use.cycles, row.use.longest_cycles, row.is_due) == (0.5, 5.5, True)


def test_doubts_of_several_machines_take_as_many_queries_as_of_one(revision, other, ride):
    counts = []
    for machines in ([revision], [revision, other]):
        for machine in machines:
            UpkeepItem.objects.create(vehicle=machine.vehicle, kind="interval", title="Grease", every_m=1000.0)
            ride(machine, 0)
        with CaptureQueriesContext(connection) as captured:
            Upkeep([machine.vehicle_id for machine in machines])
        counts.append(len(captured))
    assert counts[0] == counts[1], counts


def test_what_is_ridden_between_on_another_machine_is_no_counter_that_was_not_reset(revision, other, ride):
    """10 km here, 10 km there, 20 km here: here 20 km is 10 + 10, and would be doubted as a counter not reset."""
    ride(revision, 0, km=10)
    ride(other, 1, km=4)
    ride(revision, 2, km=4)
    both = RideRows.of_machines([revision.vehicle, other.vehicle])
    assert both.previous_distance_m[1:].tolist()[1] == 10_000.0
    assert np.isnan(both.previous_distance_m[:2]).all()
