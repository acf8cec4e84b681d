"""Mass and centre of gravity: measured values follow the parts, the rider sits on the seat, a part is not the whole."""

from datetime import date

import numpy as np
import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from buildlog.machines.limits import Ride, limits_of
from buildlog.machines.machine import Machine
from buildlog.machines.queries import read_line
from buildlog.models import Fitting, Part, Revision
from tests.filled_forms import opened

RIDE = Ride(rider_kg=80.0)


def part(name, mass_kg, category="other"):
    return Part.objects.get_or_create(name=name, category=category, defaults={"mass_kg": mass_kg})[0]


def fit(revision, name, mass_kg, x_m, z_m, quantity=1):
    return Fitting.objects.create(revision=revision, part=part(name, mass_kg), quantity=quantity, x_m=x_m, z_m=z_m)


def built(revision):
    """The machine as it is stored now."""
    return Machine.in_line(next(item for item in read_line(revision.vehicle) if item.pk == revision.pk))


def limit(machine, key, ride=RIDE):
    return next(item for item in limits_of(machine, ride) if item.key == key)


def change(revision, **values):
    Revision.objects.filter(pk=revision.pk).update(**values)


def next_item(revision, **values):
    made = Revision.objects.create(
        vehicle=revision.vehicle, number=revision.number + 1, parent=revision, date=date(2026, 2, 1), **values
    )
    for fitting in revision.fittings.all():
        fitting.carried_to(made).save()
    return made


@pytest.fixture
def sled(revision):
    """Weighed 90 kg, measured 0.35 m; of it a pack of 20 kg at 0.30 m."""
    change(revision, seat_x_m=0.8, seat_z_m=0.4)
    fit(revision, "Pack", 20.0, 0.9, 0.3)
    fit(revision, "Frame", 50.0, 0.7, 0.35)
    return revision


# What was measured follows the parts


def test_a_part_that_is_lifted_lifts_the_measured_height(sled):
    second = next_item(sled)
    assert (built(second).mass_kg, built(second).cg_height_m) == (90.0, 0.35)
    second.fittings.filter(part__name="Pack").update(z_m=1.5)
    machine = built(second)
    assert machine.mass_kg == 90.0
    # By hand: 90 kg at 0.35 m, less 20 kg at 0.30 m, and 20 kg at 1.50 m.
    assert machine.cg_height_m == pytest.approx((90 * 0.35 - 20 * 0.3 + 20 * 1.5) / 90)
    assert machine.balance.height.how == "As measured on R1, 0.35 m, moved by the parts changed since."
    assert machine.balance.mass.how == "As weighed on R1, 90 kg; the same parts since."


def test_parts_that_come_and_go_move_mass_and_height_by_their_own_effect(sled):
    second = next_item(sled)
    fit(second, "Fairing", 4.0, 1.2, 0.6, quantity=2)
    second.fittings.filter(part__name="Pack").delete()
    machine = built(second)
    assert machine.mass_kg == pytest.approx(90 - 20 + 8)
    assert machine.cg_height_m == pytest.approx((90 * 0.35 - 20 * 0.3 + 8 * 0.6) / 78)


def test_it_goes_on_over_several_revisions(sled):
    second = next_item(sled)
    fit(second, "Fairing", 4.0, 1.2, 0.6)
    third = next_item(second)
    fit(third, "Lamp", 1.0, 1.3, 0.8)
    machine = built(third)
    assert machine.mass_kg == pytest.approx(95.0)
    assert machine.cg_height_m == pytest.approx((90 * 0.35 + 4 * 0.6 + 1 * 0.8) / 95)
    # Weighed again, that stands for those after it.
    change(second, mass_without_rider_kg=97.0)
    assert built(third).mass_kg == pytest.approx(98.0)


def test_what_an_earlier_version_copied_to_the_next_revision_is_no_new_measurement(sled):
    """New revisions once started with their parent's mass and height filled in."""
    second = next_item(sled, mass_without_rider_kg=90.0, cg_height_m=0.35)
    third = next_item(second, mass_without_rider_kg=90.0, cg_height_m=0.35)
    third.fittings.filter(part__name="Pack").update(z_m=1.5)
    assert built(third).cg_height_m == pytest.approx(0.35 + 20 * 1.2 / 90)
    change(third, mass_without_rider_kg=91.5, cg_height_m=0.5)
    assert (built(third).mass_kg, built(third).cg_height_m) == (91.5, 0.5)


def test_a_place_that_is_written_down_later_is_no_move(sled):
    fit(sled, "Brake", 3.0, None, None)
    second = next_item(sled)
    second.fittings.filter(part__name="Brake").update(x_m=0.1, z_m=0.15)
    assert built(second).cg_height_m == 0.35


@pytest.mark.parametrize(
    ("name", "mass_kg", "z_m", "words"),
    [("Winch", None, 0.5, "the mass of Winch"), ("Sail", 2.0, None, "the height above ground of Sail")],
)
def test_a_changed_part_of_which_too_little_is_known_withholds_the_figure(sled, name, mass_kg, z_m, words):
    second = next_item(sled)
    fit(second, name, mass_kg, 0.4, z_m)
    machine = built(second)
    assert machine.cg_height_m is None
    assert f"{words}, changed since R1 was measured" in machine.balance.height.needs
    assert limit(machine, "static_stability_factor").value is None


def test_figures_that_contradict_each_other_are_withheld(sled):
    second = next_item(sled)
    change(sled, mass_without_rider_kg=15.0)
    second.fittings.filter(part__name="Pack").delete()
    machine = built(second)
    assert machine.mass_kg is None
    assert "the removed parts weigh more than R1" in machine.balance.mass.needs
    assert machine.cg_height_m is None


def test_a_new_revision_starts_without_what_was_measured_on_its_parent(sled, sign_in):
    client = sign_in("builder")
    form = client.get(f"/vehicles/{sled.vehicle_id}/new-revision/").context["form"]
    assert form["mass_without_rider_kg"].value() is None
    assert form["cg_height_m"].value() is None
    assert form["seat_z_m"].value() == "0.4"
    assert "corrected for the parts that changed since" in form["cg_height_m"].help_text
    second = next_item(sled)
    fit(second, "Fairing", 4.0, 1.2, 0.6)
    page = client.get(second.get_absolute_url()).content.decode()
    assert "As weighed on R1, 90 kg, moved by the parts changed since." in page
    answer = client.get(f"/vehicles/{sled.vehicle_id}/difference/?from=1&to=2").content.decode()
    assert "Mass without rider" in answer
    assert "94 kg" in answer
    # Nothing chosen: the newest revision and its parent.
    answer = client.get(f"/vehicles/{sled.vehicle_id}/difference/")
    assert (answer.context["before"], answer.context["after"]) == (sled, second)
    assert "94 kg" in answer.content.decode()


# The rider sits on the seat


def test_moving_the_battery_does_not_move_the_rider(sled):
    change(sled, mass_without_rider_kg=None, cg_height_m=None)
    before = built(sled).with_rider(80.0)
    sled.fittings.filter(part__name="Pack").update(x_m=0.2, z_m=0.9)
    after = built(sled).with_rider(80.0)
    # numpy 2.4, average of pack, frame and rider; the rider 0.25 m above the seat at 0.8 and 0.4 m.
    masses = [20.0, 50.0, 80.0]
    for both, pack in ((before, (0.9, 0.3)), (after, (0.2, 0.9))):
        assert both.x_m == pytest.approx(np.average([pack[0], 0.7, 0.8], weights=masses))
        assert both.z_m == pytest.approx(np.average([pack[1], 0.35, 0.65], weights=masses))
        assert both.mass_kg == 150.0


@pytest.mark.parametrize("missing", [{"seat_x_m": None}, {"seat_z_m": None}, {"seat_x_m": None, "seat_z_m": None}])
def test_without_the_seats_place_nothing_is_said_of_machine_and_rider(sled, missing):
    change(sled, wheelbase_m=1.6, contacts="two_front_one_rear", mass_without_rider_kg=70.0, **missing)
    machine = built(sled)
    for key in ("cg_height_with_rider", "static_stability_factor", "tip_over_threshold", "front_load", "rear_load"):
        result = limit(machine, key)
        assert result.value is None
        assert result.needs_words == "needs the seat's place, forward and height"
    assert limit(machine, "mass").value == 70.0


def test_each_thing_that_lacks_is_named(sled):
    assert limit(built(sled), "static_stability_factor", Ride()).needs_words == "needs the rider's mass"
    change(sled, mass_without_rider_kg=70.0, wheelbase_m=None, track_width_m=None, contacts="two_front_one_rear")
    machine = built(sled)
    assert limit(machine, "static_stability_factor").needs_words == "needs the track width"
    assert limit(machine, "tip_over_threshold").needs_words == "needs track width and wheelbase"
    assert limit(machine, "rear_load").needs_words == "needs the wheelbase"


def test_the_seat_by_form_page_and_interface(sled, sign_in):
    client = sign_in("builder")
    path = f"/revisions/{sled.pk}/edit/"
    form = opened(client, path)
    assert "Where the rider sits" in client.get(path).content.decode()
    assert client.post(path, {**form, "seat_x_m": "28 in", "seat_z_m": "0,38 m"}).status_code == 302
    sled.refresh_from_db()
    # NIST SP 811 (2008), B.8: 1 in = 0.0254 m.
    assert (sled.seat_x_m, sled.seat_z_m) == (pytest.approx(28 * 0.0254), 0.38)
    page = client.get(sled.get_absolute_url()).content.decode()
    assert "0.7112 m forward, 0.38 m high" in page
    refused = client.post(path, {**opened(client, path), "seat_x_m": "28 in", "seat_z_m": "9 m"})
    assert refused.status_code == 422
    assert "must be at least 0 m and at most 5 m" in refused.content.decode()
    assert 'value="28 in"' in refused.content.decode()
    address = f"/api/v1/revisions/{sled.pk}/"
    change = {"seat_x_m": "90 cm", "version": client.get(address).json()["version"]}
    answer = client.patch(address, change, content_type="application/json")
    assert answer.json()["seat_x_m"] == pytest.approx(0.9)
    refused = client.patch(address, {**change, "seat_x_m": 40}, content_type="application/json")
    assert refused.status_code == 400
    assert "at most 20 m" in str(refused.json())


@pytest.mark.parametrize("values", [{"seat_x_m": -21.0}, {"seat_x_m": 21.0}, {"seat_z_m": -0.1}, {"seat_z_m": 5.1}])
def test_the_database_bounds_the_seat(sled, values):
    with pytest.raises(IntegrityError), transaction.atomic():
        change(sled, **values)
    for name, value in values.items():
        setattr(sled, name, value)
    with pytest.raises(ValidationError, match="must be"):
        sled.full_clean()


# A part of the machine is not the machine


def test_eighteen_of_118_kg_give_no_stability(revision):
    change(revision, mass_without_rider_kg=118.0, cg_height_m=None, seat_x_m=0.8, seat_z_m=0.4)
    fit(revision, "Pack", 18.0, 0.9, 0.3)
    machine = built(revision)
    words = "the places of the other parts: 18 of 118 kg are placed"
    assert machine.cg_height_m is None
    assert words in machine.balance.forward.needs
    assert words in limit(machine, "static_stability_factor").needs_words
    assert [result.key for result in limits_of(machine, RIDE) if result.value is not None] == ["mass"]


@pytest.mark.parametrize(("rest_kg", "known"), [(88.1, False), (88.2, True), (111.8, True), (112.0, False)])
def test_placed_and_weighed_agree_within_a_tenth(revision, rest_kg, known):
    change(revision, mass_without_rider_kg=118.0, cg_height_m=None)
    fit(revision, "Pack", 18.0, 0.9, 0.3)
    fit(revision, "Frame", rest_kg, 0.6, 0.4)
    fit(revision, "Straps", None, None, None)
    machine = built(revision)
    assert (machine.cg_height_m is not None) == known
    if rest_kg > 100 and not known:
        assert "130 kg are placed, and 118 kg were weighed" in machine.balance.height.needs


def test_a_measured_height_stands_by_itself_and_the_place_needs_the_parts(revision):
    change(revision, wheelbase_m=1.6, mass_without_rider_kg=118.0, cg_height_m=0.4, seat_x_m=0.8, seat_z_m=0.4)
    fit(revision, "Pack", 18.0, 0.9, 0.3)
    machine = built(revision)
    assert limit(machine, "static_stability_factor").value == pytest.approx(1.2 / (2 * (118 * 0.4 + 80 * 0.65) / 198))
    assert limit(machine, "rear_load").value is None
    assert "18 of 118 kg are placed" in limit(machine, "rear_load").needs_words


@pytest.mark.parametrize(
    ("unknown", "words"),
    [
        ({"mass_kg": None}, "every part's mass"),
        ({"z_m": None}, "the places of the other parts: 18 of 68 kg are placed"),
        ({"x_m": None}, "the places of the other parts: 18 of 68 kg are placed"),
    ],
)
def test_never_weighed_every_heavy_part_must_be_known(revision, unknown, words):
    change(revision, mass_without_rider_kg=None, cg_height_m=None)
    fit(revision, "Pack", 18.0, 0.9, 0.3)
    assert built(revision).cg_height_m == pytest.approx(0.3)
    fit(revision, **{"name": "Frame", "mass_kg": 50.0, "x_m": 0.6, "z_m": 0.4, **unknown})
    machine = built(revision)
    assert machine.cg_height_m is None
    assert words in machine.balance.height.needs
    assert words in machine.balance.forward.needs
