"""Where a machine stands: its contacts as points, what was weighed and tilted, and the figures that follow."""

import importlib
import json
from datetime import date
from types import SimpleNamespace

import pytest
from django.apps import apps
from django.db import connection

from buildlog.machines.contacts import of_layout
from buildlog.machines.machine import Machine
from buildlog.machines.queries import read_line
from buildlog.machines.space import Space
from buildlog.models import BalanceTest, Fitting, Part, Revision
from tests.filled_forms import opened

G = 9.80665
ONE_FRONT = [{"x_m": 1.8, "y_m": 0.0}, {"x_m": 0.0, "y_m": 0.6}, {"x_m": 0.0, "y_m": -0.6}]


def fit(revision, name, mass_kg, x_m, z_m, y_m=None):
    part = Part.objects.get_or_create(name=name, category="other", defaults={"mass_kg": mass_kg})[0]
    return Fitting.objects.create(revision=revision, part=part, x_m=x_m, z_m=z_m, y_m=y_m)


def built(revision):
    return Machine.in_line(next(row for row in read_line(revision.vehicle) if row.pk == revision.pk))


def space(revision, load_kg=80.0):
    return Space(built(revision), load_kg)


@pytest.fixture
def sled(revision):
    """Two parts of 50 and 40 kg that weigh what was weighed, at 0.35 m; one contact in front."""
    Revision.objects.filter(pk=revision.pk).update(
        contacts="one_front_two_rear", contact_points=ONE_FRONT, seat_x_m=0.6, seat_z_m=0.4, cg_height_m=None
    )
    fit(revision, "Frame", 50.0, 0.7, 0.35)
    fit(revision, "Pack", 40.0, 0.7, 0.35)
    revision.refresh_from_db()
    return revision


# Points


@pytest.mark.parametrize(
    ("layout", "places"),
    [
        ("one_front_two_rear", [(1.8, 0.0), (0.0, 0.6), (0.0, -0.6)]),
        ("two_front_one_rear", [(1.8, 0.6), (1.8, -0.6), (0.0, 0.0)]),
        ("four", [(1.8, 0.6), (1.8, -0.6), (0.0, 0.6), (0.0, -0.6)]),
        ("two", [(1.8, 0.0), (0.0, 0.0)]),
    ],
)
def test_the_four_layouts_are_carried_over(revision, layout, places):
    Revision.objects.filter(pk=revision.pk).update(contacts=layout)
    importlib.import_module("buildlog.migrations.0016_space").carry_layouts_over(
        apps, SimpleNamespace(connection=connection)
    )
    revision.refresh_from_db()
    assert [(point["x_m"], point["y_m"]) for point in revision.contact_points] == places
    assert [(point.x_m, point.y_m) for point in of_layout(layout, 1.2, 1.8)] == places
    assert revision.contacts == layout
    assert (revision.track_width_m, revision.wheelbase_m) == (1.2, 1.8)


def test_points_that_repeat_the_layout_follow_it_and_others_stay(revision):
    Revision.objects.filter(pk=revision.pk).update(contacts="one_front_two_rear", contact_points=ONE_FRONT)
    for points, after in ((ONE_FRONT, 0.5), ([{"x_m": 2.0, "y_m": 0.1}], None)):
        Revision.objects.filter(pk=revision.pk).update(contact_points=points, track_width_m=1.2)
        stored = Revision.objects.get(pk=revision.pk)
        stored.track_width_m = 1.0
        stored.save()
        stored.refresh_from_db()
        assert stored.contact_points == points if after is None else stored.contact_points[1]["y_m"] == after


def test_further_contacts_are_folded_where_some_are_known(sled, sign_in):
    client = sign_in("builder")
    address = f"/revisions/{sled.pk}/contacts/"
    assert client.get(address).content.decode().count("<summary>A further contact</summary>") == 2
    Revision.objects.filter(pk=sled.pk).update(contacts="", contact_points=[])
    assert "<summary>A further contact</summary>" not in client.get(address).content.decode()


def test_a_layout_of_five_contacts_can_be_said(sled, sign_in):
    """One steering ski in front, two side skis and a driven wheel behind that rides between them, and a skid."""
    client = sign_in("builder")
    data = opened(client, f"/revisions/{sled.pk}/contacts/")
    data |= {"kind-0": "ski", "duties-0": ["steered"], "kind-1": "ski", "kind-2": "ski"}
    data |= {
        "x_m-3": "-20 cm",
        "y_m-3": "0",
        "kind-3": "wheel",
        "duties-3": ["driven", "braked"],
        "stiffness-3": "20 N/mm",
    }
    answer = client.post(f"/revisions/{sled.pk}/contacts/", data)
    assert answer.status_code == 302
    sled.refresh_from_db()
    assert len(sled.contact_points) == 4
    assert sled.contact_points[3] == {
        "x_m": -0.2, "y_m": 0.0, "kind": "wheel", "driven": True, "braked": True, "stiffness_n_per_m": 20000.0,
    }  # fmt: skip
    assert sled.contact_points[0]["steered"]


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ("front", "a list of at most"),
        ([{"x_m": 1}], "y_m must be a number"),
        ([{"x_m": 1, "y_m": "left"}], "y_m must be a number"),
        ([{"x_m": 1, "y_m": 0, "z_m": 0}], "Ground contact 1 has"),
        ([{"x_m": 1, "y_m": 0, "kind": "hoof"}], "its kind is one of"),
        ([{"x_m": 1, "y_m": 0, "steered": "yes"}], "true or false"),
        ([{"x_m": 1, "y_m": 0}, {"x_m": 1, "y_m": 0}], "same place"),
        ([{"x_m": True, "y_m": 0}], "x_m must be a number"),
    ],
)
def test_points_that_cannot_be_are_refused_in_words(revision, sign_in, points, words):
    client = sign_in("builder")
    path = f"/api/v1/revisions/{revision.pk}/"
    version = client.get(path).json()["version"]
    sent = json.dumps({"contact_points": points, "version": version})
    answer = client.patch(path, sent, content_type="application/json")
    assert answer.status_code == 400
    assert words in answer.content.decode()


# Figures


def test_the_figures_are_those_of_the_kernels(sled):
    here = space(sled)
    mass, x, z = 170.0, (90 * 0.7 + 80 * 0.6) / 170, (90 * 0.35 + 80 * 0.65) / 170
    assert here.centre.mass_kg == pytest.approx(mass)
    assert (here.centre.x_m, here.centre.z_m) == pytest.approx((x, z))
    # Huston, Graves and Johnson, SAE 820139 (1982): T b / (2 L h), b from the single contact.
    assert here.sideways_g == pytest.approx(1.2 * (1.8 - x) / (2 * 1.8 * z))
    assert here.braking_g == pytest.approx((1.8 - x) / z, rel=0.5)
    assert sum(load.load_kg for load in here.loads) == pytest.approx(mass)
    assert here.loads[0].load_kg == pytest.approx(mass * x / 1.8)
    assert 0 < here.u_sideways_g < 0.2 * here.sideways_g


def test_a_part_to_the_left_makes_a_right_turn_the_worse_one(sled):
    middle = space(sled).sideways_g
    Fitting.objects.filter(revision=sled, part__name="Pack").update(y_m=0.2)
    assert space(sled).centre.y_m == pytest.approx(40 * 0.2 / 170)
    assert space(sled).sideways_g < middle
    assert space(sled).loads[1].load_kg > space(sled).loads[2].load_kg


def test_lifting_the_pack_lowers_every_threshold(sled):
    before = space(sled)
    Fitting.objects.filter(revision=sled, part__name="Pack").update(z_m=1.0)
    after = space(sled)
    assert [edge.threshold_g for edge in after.edges] < [edge.threshold_g for edge in before.edges]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"contact_points": [], "contacts": ""}, "the ground contacts"),
        ({"contact_points": ONE_FRONT[:2]}, "on two it is balanced by its rider"),
        ({"contact_points": [{"x_m": 5 + x, "y_m": y} for x, y in ((0, 1), (0, -1), (1, 0))]}, "falls over standing"),
        ({"seat_x_m": None}, "the seat's place"),
    ],
)
def test_what_is_missing_is_said(sled, sign_in, change, words):
    Revision.objects.filter(pk=sled.pk).update(**change)
    assert words in space(sled).needs
    assert sign_in("reader").get(f"/revisions/{sled.pk}/space/").status_code == 200


def test_a_light_part_without_a_place_widens_what_is_shown_and_hides_nothing(sled, sign_in):
    """A fuse of 50 g on 90 kg: by moments it moves the centre by at most 0.05/90.05 of the way to the farthest end."""
    sled.mass_without_rider_kg, sled.rider_mass_kg = None, 80.0
    sled.save()
    before = space(sled)
    fit(sled, "Fuse", 0.05, None, None)
    after = space(sled)
    assert after.needs == ""
    assert after.unplaced_shift_m == pytest.approx([0.05 / 90.05 * way_m for way_m in (1.1, 0.6, 0.35)])
    assert before.unplaced_shift_m == (0.0, 0.0, 0.0)
    assert after.sideways_g == pytest.approx(before.sideways_g, rel=1e-3)
    assert after.careful_sideways_g < after.sideways_g
    page = sign_in("reader").get(f"/revisions/{sled.pk}/space/").content.decode()
    assert "0.05 kg of it has no place: ± has that anywhere on the machine" in page


def test_a_heavy_part_without_a_place_is_asked_for(sled):
    sled.mass_without_rider_kg = None
    sled.save()
    fit(sled, "Motor", 12.0, None, 0.3)
    assert "the places of the other parts: 90 of 102 kg are placed" in space(sled).needs


def test_what_was_weighed_and_is_not_placed_can_tip_it_early_at_its_worst_place(sled):
    """Worst place by hand: 9 of 99 kg at the rear end, aside and on the ground or at the highest part."""
    sled.mass_without_rider_kg = 90.0
    sled.save()
    whole = space(sled)
    Revision.objects.filter(pk=sled.pk).update(mass_without_rider_kg=99.0)
    here = space(sled)
    assert here.u_sideways_g > whole.u_sideways_g
    assert here.unplaced_shift_m == pytest.approx([9 / 99 * way_m for way_m in (1.1, 0.6, 0.35)])
    x, z, y = (99 * 0.7 + 80 * 0.6 + 9 * 1.1) / 179, (99 * 0.35 + 80 * 0.65 + 9 * 0.35) / 179, 9 * 0.6 / 179
    # The left edge is the line from (1.8, 0) to (0, 0.6): across it at the centre's place forward.
    assert here.careful_sideways_g == pytest.approx((0.6 * (1.8 - x) / 1.8 - y) / z)


# Measured


def test_a_weighing_moves_the_model_onto_the_scales_and_parts_move_it_on(sled):
    """Moments by hand: 30 kg on the front contact at 1.8 m, 20 and 40 kg behind: x = 54/90, y = 0.6 (20 − 40)/90."""
    loads = [{**point, "mass_kg": mass} for point, mass in zip(ONE_FRONT, (30.0, 20.0, 40.0), strict=True)]
    BalanceTest.objects.create(revision=sled, kind="weighing", loads=loads)
    balance = built(sled).balance
    assert balance.mass.value == pytest.approx(90.0)
    assert balance.forward.value == pytest.approx(0.6)
    assert balance.sideways.value == pytest.approx(-0.6 * 20 / 90)
    later = Revision.objects.create(
        vehicle=sled.vehicle, number=2, parent=sled, date=date(2026, 2, 1), contact_points=ONE_FRONT
    )
    for fitting in sled.fittings.all():
        fitting.carried_to(later).save()
    Fitting.objects.filter(revision=later, part__name="Pack").update(x_m=1.0)
    moved = built(later).balance
    assert moved.forward.value == pytest.approx(0.6 + 40 * 0.3 / 90)
    assert "weighed on R1" in moved.forward.how


def test_a_rider_on_the_scales_is_taken_off_at_the_seat(sled):
    loads = [{**point, "mass_kg": mass} for point, mass in zip(ONE_FRONT, (60.0, 55.0, 55.0), strict=True)]
    BalanceTest.objects.create(revision=sled, kind="weighing", loads=loads, load_kg=80.0)
    balance = built(sled).balance
    assert balance.mass.value == pytest.approx(90.0)
    assert balance.forward.value == pytest.approx((60 * 1.8 - 80 * 0.6) / 90)


def test_a_tilt_test_gives_the_height(sled):
    """tan φ = d/h about the left edge; d by the distance of a point from a line, by hand."""
    length = (1.8**2 + 0.6**2) ** 0.5
    distance = abs(0.6 * 0.7 + 1.8 * 0.0 - 0.6 * 1.8) / length
    BalanceTest.objects.create(revision=sled, kind="tilt", side="left", tilt_deg=45.0)
    height = built(sled).balance.height
    assert height.value == pytest.approx(distance)
    assert height.how == "By a tilt test, without rider."


def test_a_measured_height_that_is_typed_on_a_later_revision_counts_more(sled):
    BalanceTest.objects.create(revision=sled, kind="tilt", side="left", tilt_deg=45.0)
    later = Revision.objects.create(
        vehicle=sled.vehicle, number=2, parent=sled, date=date(2026, 2, 1), cg_height_m=0.5, contact_points=ONE_FRONT
    )
    assert built(later).balance.height.value == 0.5


# Pages


def test_a_weighing_is_entered_and_its_row_leads_back(sled, sign_in):
    client = sign_in("builder")
    path = f"/revisions/{sled.pk}/balance-test/weighing/"
    data = opened(client, path) | {"mass_kg-0": "30 kg", "mass_kg-1": "20 kg", "mass_kg-2": "40 kg"}
    assert client.post(path, data).status_code == 302
    test = BalanceTest.objects.get()
    assert [row["mass_kg"] for row in test.loads] == [30.0, 20.0, 40.0]
    page = client.get(f"/revisions/{sled.pk}/space/").content.decode()
    assert f"/revisions/balance-tests/{test.pk}/edit/" in page
    data = opened(client, f"/revisions/balance-tests/{test.pk}/edit/") | {"mass_kg-0": "31 kg"}
    assert client.post(f"/revisions/balance-tests/{test.pk}/edit/", data).status_code == 302
    test.refresh_from_db()
    assert [row["mass_kg"] for row in test.loads] == [31.0, 20.0, 40.0]


def test_a_weighing_of_nothing_is_refused(sled, sign_in):
    client = sign_in("builder")
    path = f"/revisions/{sled.pk}/balance-test/weighing/"
    answer = client.post(path, opened(client, path) | {f"mass_kg-{row}": "0" for row in range(3)})
    assert answer.status_code == 422
    assert "more than 0 kg" in answer.content.decode()


def test_a_kind_of_test_that_is_none(revision, sign_in):
    assert sign_in("builder").get(f"/revisions/{revision.pk}/balance-test/guess/").status_code == 404


def test_the_page_says_it_with_a_caution(sled, sign_in, django_assert_num_queries):
    sled.rider_mass_kg = 80.0
    sled.save()
    client = sign_in("reader")
    with django_assert_num_queries(10):
        page = client.get(f"/revisions/{sled.pk}/space/").content.decode()
    assert "Ruts, edges and a leaning rider" in page
    assert "Fastest turn" in page
    assert page.count("<svg") == 2


def test_on_paper_a_contact_can_be_moved(sled, sign_in):
    sled.rider_mass_kg = 80.0
    sled.save()
    client = sign_in("builder")
    data = opened(client, f"/revisions/{sled.pk}/what-if/")
    before = client.get(f"/revisions/{sled.pk}/what-if/", data).content.decode()
    data |= {"contact_y_m-1": "0.2", "contact_y_m-2": "-0.2"}
    after = client.get(f"/revisions/{sled.pk}/what-if/", data).content.decode()
    picture = before[before.index('id="picture"') : before.index("</figure>")]
    assert picture not in after
    assert client.post(f"/revisions/{sled.pk}/what-if/", data).status_code == 302
    planned = Revision.objects.get(number=2)
    assert [point["y_m"] for point in planned.contact_points] == [0.0, 0.2, -0.2]
