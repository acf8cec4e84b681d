"""Limits of a revision, and what they would be if something of it were changed."""

import pytest

from buildlog.machines.limits import Ride, limits_of
from buildlog.machines.machine import Machine
from buildlog.machines.queries import revisions_with_parts
from buildlog.models import Fitting, Part, Revision

# Limits and what if


def fitted(revision, **parts):
    for category, (values, mass, x_m, z_m) in parts.items():
        part = Part.objects.create(name=category, category=category, mass_kg=mass, specification=values)
        Fitting.objects.create(revision=revision, part=part, x_m=x_m, z_m=z_m)


def test_limits_by_hand(revision, battery):
    """Each number worked out by hand beside it."""
    Fitting.objects.create(revision=revision, part=battery, quantity=2, series=1, parallel=2, x_m=0.5, z_m=0.3)
    fitted(
        revision,
        speed_controller=({"highest_voltage_v": 60.0, "continuous_current_a": 48.0}, 2.0, 0.9, 0.4),
        motor=({"motor_constant_rpm_per_v": 100.0, "highest_voltage_v": 72.0}, 5.0, 0.1, 0.25),
    )
    Revision.objects.filter(pk=revision.pk).update(
        drive_ratio=8.0, rolling_circumference_m=1.5, contacts="two_front_one_rear", cg_height_m=None,
        mass_without_rider_kg=None, seat_x_m=0.8, seat_z_m=0.45,
    )  # fmt: skip
    machine = Machine(revisions_with_parts().get(pk=revision.pk))
    ride = Ride(rider_kg=80.0, consumption_wh_per_km=40.0, reserve_fraction=0.2)
    results = {limit.key: limit.value for limit in limits_of(machine, ride)}
    assert results["mass"] == pytest.approx(16.0)  # 2 × 4.5 + 2 + 5 kg
    assert results["controller_voltage_margin"] == pytest.approx(60.0 - 58.8)
    assert results["motor_voltage_margin"] == pytest.approx(72.0 - 58.8)
    assert results["c_rate"] == pytest.approx(48.0 / 24.0)
    assert results["gearing_top_speed"] == pytest.approx(100 * 50.4 / 60 / 8.0 * 1.5)
    assert results["range"] == pytest.approx(1000 * 24.0 * 50.4 * 0.8 / 40.0)
    x_m = (9 * 0.5 + 2 * 0.9 + 5 * 0.1) / 16
    z_m = (9 * 0.3 + 2 * 0.4 + 5 * 0.25) / 16
    with_rider_m, forward_m = (16 * z_m + 80 * (0.45 + 0.25)) / 96, (16 * x_m + 80 * 0.8) / 96
    assert results["cg_height_with_rider"] == pytest.approx(with_rider_m)
    assert results["static_stability_factor"] == pytest.approx(1.2 / (2 * with_rider_m))
    assert results["front_load"] == pytest.approx(96 * forward_m / 1.8)
    assert results["rear_load"] == pytest.approx(96 * (1 - forward_m / 1.8))
    assert results["pack_current_margin"] is None


def test_a_limit_that_is_passed_is_marked(revision, battery, controller):
    Fitting.objects.create(revision=revision, part=battery, quantity=1, series=1, parallel=1)
    Fitting.objects.create(revision=revision, part=controller)
    machine = Machine(revisions_with_parts().get(pk=revision.pk))
    margin = next(limit for limit in limits_of(machine, Ride()) if limit.key == "controller_voltage_margin")
    assert margin.value == pytest.approx(55.0 - 58.8)
    assert margin.is_over


def what_if(client, revision, method="get", **changes):
    page = client.get(f"/revisions/{revision.pk}/what-if/")
    form = page.context["form"]
    data = {name: form[name].value() for name in form.fields if form[name].value() is not None}
    return getattr(client, method)(f"/revisions/{revision.pk}/what-if/", {**data, **changes})


def test_what_if_shows_what_moves_and_keeps_it(sign_in, season, battery):
    second = season[1]
    fitting = second.fittings.get()
    client = sign_in("builder")
    changes = {f"quantity-{fitting.pk}": "4", f"parallel-{fitting.pk}": "4", f"z_m-{fitting.pk}": "10 in",
               "track_width_m": "1,5"}  # fmt: skip
    answer = what_if(client, second, **changes)
    assert answer.status_code == 200
    moved = {pair.today.key: pair for pair in answer.context["pairs"] if pair.moved}
    # By hand: 90 kg at 0.35 m, two modules of 4.5 kg off at 0.3 m and four on at 0.254 m, a rider of 80 kg at 0.65 m.
    height_m = (90 * 0.35 - 9 * 0.3 + 18 * 0.254 + 80 * 0.65) / (90 + 9 + 80)
    assert moved["cg_height_with_rider"].planned.value == pytest.approx(height_m)
    assert moved["static_stability_factor"].planned.value == pytest.approx(1.5 / (2 * height_m))
    assert moved["mass"].planned.value == pytest.approx(99.0)
    assert moved["range"].planned.value == pytest.approx(2 * moved["range"].today.value)
    assert Revision.objects.count() == 2
    kept = what_if(client, second, "post", **changes)
    made = Revision.objects.get(number=3)
    assert kept.url == made.get_absolute_url()
    assert (made.status, made.parent, made.track_width_m) == ("planned", second, 1.5)
    # NIST SP 811 (2008), B.8: 1 in = 0.0254 m.
    assert made.fittings.get().z_m == pytest.approx(0.254)
    assert "Track width" in made.modifications.get().reason
    page = client.get(f"/vehicles/{second.vehicle_id}/bench/").content.decode()
    assert "What R3 changes" in page


def test_what_if_can_add_and_take_off_parts(sign_in, season, controller):
    *_, second = season[:2]
    fitting = second.fittings.get()
    changes = {f"quantity-{fitting.pk}": "0", "part": str(controller.pk), "quantity-new": "1", "x_m-new": "0.2"}
    what_if(sign_in("builder"), second, "post", **changes)
    made = Revision.objects.get(number=3)
    assert [item.part for item in made.fittings.all()] == [controller]


@pytest.mark.parametrize("changes", [{"track_width_m": "12 V"}, {"drive_ratio": "-4"}, {"track_width_m": "1e400"}])
def test_what_if_refuses_kindly_and_keeps_what_was_written(sign_in, season, changes):
    answer = what_if(sign_in("builder"), season[1], "post", **changes)
    assert answer.status_code == 422
    [value] = changes.values()
    assert f'value="{value}"' in answer.content.decode()
    assert Revision.objects.count() == 2


def test_what_if_keeps_nothing_that_changes_nothing(sign_in, season):
    answer = what_if(sign_in("builder"), season[1], "post")
    assert answer.status_code == 422
    assert "Nothing is changed yet" in answer.content.decode()
    assert Revision.objects.count() == 2


def test_modules_that_do_not_add_up_are_named(sign_in, season):
    fitting = season[1].fittings.get()
    answer = what_if(sign_in("builder"), season[1], **{f"quantity-{fitting.pk}": "3"})
    assert "3 modules cannot be 1 in series × 2 in parallel" in answer.content.decode()
