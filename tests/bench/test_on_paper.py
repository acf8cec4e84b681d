"""A change that was tried on paper, and what became of the machine meanwhile."""

import pytest
from django.core.exceptions import ValidationError

from buildlog.machines.machine import Machine
from buildlog.models import Fitting, Revision
from sessions.bench.on_paper import WhatIfForm, save_as_planned
from tests.bench.electrics import fit_electrics


@pytest.mark.parametrize("others", [0, 1])
def test_what_was_tried_on_a_revision_that_is_gone_is_refused_in_a_sentence(revision, others):
    if others:
        Revision.objects.create(vehicle=revision.vehicle, number=2, date=revision.date, status="planned")
    form = WhatIfForm(revision, {"track_width_m": "1.3 m"})
    assert form.is_valid(), form.errors
    before = Machine(revision)
    tried = form.proposed_machine(before)
    Revision.objects.filter(pk=revision.pk).delete()
    with pytest.raises(ValidationError, match="removed meanwhile"):
        save_as_planned(tried, before, "metric")
    assert Revision.objects.count() == others


def asked(client, revision, **changes):
    form = client.get(f"/revisions/{revision.pk}/what-if/").context["form"]
    data = {name: form[name].value() for name in form.fields if form[name].value() is not None}
    return {**data, **changes}


@pytest.fixture
def measured(session):
    """Weighed 90 kg and measured 0.35 m with a pack of 18 kg at 0.30 m, a seat, and a rider of 80 kg."""
    fit_electrics(session.revision, full_v=75.6)
    Fitting.objects.filter(part__category="battery_module").update(x_m=0.6, z_m=0.3)
    Revision.objects.filter(pk=session.revision_id).update(seat_x_m=0.8, seat_z_m=0.4)
    return session.revision


@pytest.mark.parametrize("system", ["metric", "imperial"])
def test_a_pack_lifted_to_1_50_m_tips_sooner_and_stays_so_when_it_is_kept(measured, sign_in, system, django_user_model):
    client = sign_in("builder")
    django_user_model.objects.update(unit_system=system)
    fitting = measured.fittings.get(part__category="battery_module")
    path = f"/revisions/{measured.pk}/what-if/"
    data = asked(client, measured, **{f"z_m-{fitting.pk}": "1.50 m"})
    pairs = {pair.today.key: pair for pair in client.get(path, data).context["pairs"]}
    # By hand: 90 kg at 0.35 m with 18 kg of it lifted from 0.30 to 1.50 m, and a rider of 80 kg at 0.65 m.
    lifted = (90 * 0.35 + 18 * 1.2) / 90
    height = (90 * lifted + 80 * 0.65) / 170
    assert pairs["cg_height_with_rider"].planned.value == pytest.approx(height)
    assert pairs["static_stability_factor"].planned.value == pytest.approx(1.2 / (2 * height))
    assert {key for key, pair in pairs.items() if pair.moved} == {
        "cg_height", "unladen_stability_factor", "cg_height_with_rider", "static_stability_factor", "fastest_turn",
    }  # fmt: skip
    client.post(path, data)
    made = Revision.objects.get(number=2)
    assert (made.mass_without_rider_kg, made.cg_height_m) == (None, None)
    machine = Machine(made)
    assert (machine.mass_kg, machine.cg_height_m) == (90.0, pytest.approx(lifted))
    assert "Centre of gravity, height" in made.modifications.get().reason


def test_another_pack_changes_the_measured_mass(measured, sign_in):
    client = sign_in("builder")
    fitting = measured.fittings.get(part__category="battery_module")
    changes = {f"quantity-{fitting.pk}": "2", f"series-{fitting.pk}": "1", f"parallel-{fitting.pk}": "2"}
    pairs = client.get(f"/revisions/{measured.pk}/what-if/", asked(client, measured, **changes)).context["pairs"]
    mass = next(pair for pair in pairs if pair.today.key == "mass")
    assert (mass.today.value, mass.planned.value) == (90.0, 108.0)


def test_a_mass_that_is_typed_for_the_change_is_taken_as_it_is(measured, sign_in):
    client = sign_in("builder")
    fitting = measured.fittings.get(part__category="battery_module")
    changes = {f"quantity-{fitting.pk}": "2", f"parallel-{fitting.pk}": "2", "mass_without_rider_kg": "104"}
    client.post(f"/revisions/{measured.pk}/what-if/", asked(client, measured, **changes))
    made = Revision.objects.get(number=2)
    assert (made.mass_without_rider_kg, Machine(made).mass_kg) == (104.0, 104.0)


def test_the_seat_can_be_tried_lower(measured, sign_in):
    client = sign_in("builder")
    pairs = client.get(f"/revisions/{measured.pk}/what-if/", asked(client, measured, seat_z_m="0.1")).context["pairs"]
    height = next(pair for pair in pairs if pair.today.key == "cg_height")
    assert height.planned.value == pytest.approx((90 * 0.35 + 80 * 0.35) / 170)
