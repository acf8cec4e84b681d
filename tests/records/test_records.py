"""Records through their forms, as a builder fills them in; and what the database refuses."""

from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from buildlog.machines.machine import Machine
from buildlog.machines.queries import revisions_with_parts
from buildlog.models import Cause, Evidence, Failure, FailureMode, Fitting, Modification, Part, Revision


def test_a_revision_carries_its_parents_fittings_over(sign_in, revision, battery):
    Fitting.objects.create(revision=revision, part=battery, quantity=2, series=1, parallel=2, x_m=0.7, z_m=0.3)
    client = sign_in("builder")
    path = f"/vehicles/{revision.vehicle_id}/new-revision/"
    page = client.get(path)
    assert page.context["form"].initial.get("number") or page.context["form"].instance.number == 2
    answer = client.post(
        path,
        {"number": "2", "parent": revision.pk, "date": "2026-02-01", "status": "in_build", "track_width_m": "46 in"},
    )
    made = Revision.objects.get(number=2)
    assert answer.url == made.get_absolute_url()
    # NIST SP 811 (2008), B.8: 1 in = 0.0254 m.
    assert made.track_width_m == pytest.approx(46 * 0.0254)
    carried = made.fittings.get()
    assert (carried.part, carried.quantity, carried.parallel, carried.x_m) == (battery, 2, 2, 0.7)


def test_a_number_used_twice_is_refused_and_nothing_typed_is_lost(sign_in, revision):
    answer = sign_in("builder").post(
        f"/vehicles/{revision.vehicle_id}/new-revision/",
        {
            "number": "1",
            "date": "2026-02-01",
            "status": "planned",
            "purpose": "Keep these words",
            "wheelbase_m": "1,85",
        },
    )
    assert answer.status_code == 422
    text = answer.content.decode()
    assert "already has an R1" in text
    assert "Keep these words" in text
    assert 'value="1,85"' in text


def test_difference_between_revisions(sign_in, revision, battery, controller):
    Fitting.objects.create(revision=revision, part=battery, quantity=1, series=1, parallel=1)
    later = Revision.objects.create(
        vehicle=revision.vehicle, number=2, parent=revision, date=date(2026, 2, 1), track_width_m=1.4
    )
    Fitting.objects.create(revision=later, part=battery, quantity=2, series=1, parallel=2)
    Fitting.objects.create(revision=later, part=controller)
    client, address = sign_in("reader"), f"/vehicles/{revision.vehicle_id}/difference/?from=1&to=2"
    difference = client.get(address).context["difference"]
    assert [(part.name, count) for part, count in difference.added] == [("Controller 55 V", 1)]
    assert [part.name for part, _ in difference.changed] == ["Module 14s 12 Ah"]
    rows = {row.label: (row.before, row.after, row.change) for row in difference.numbers}
    # 12 Ah and 604.8 Wh a module: Kirchhoff and IEC 80000-6:2022 (1 Ah × 1 V = 1 Wh).
    assert rows["Pack capacity"] == ("12 Ah", "24 Ah", "+12 Ah")
    assert rows["Pack energy"] == ("604.8 Wh", "1210 Wh", "+604.8 Wh")
    assert rows["Track width"][2] == "+0.2 m"
    # A difference has no more decimals than what it is between (JCGM 100, 7.2.6, on digits that mean nothing).
    Revision.objects.filter(pk=revision.pk).update(cg_height_m=0.28047)
    Revision.objects.filter(pk=later.pk).update(cg_height_m=0.28211)
    rows = {row.label: (row.before, row.after, row.change) for row in client.get(address).context["difference"].numbers}
    assert rows["Centre of gravity, height, without rider"] == ("0.2805 m", "0.2821 m", "+0.0016 m")
    assert rows["Mass of the parts"] == ("4.5 kg", "10 kg", "+5.5 kg")


def test_difference_of_what_does_not_exist_says_so(sign_in, revision):
    client = sign_in("reader")
    for query in ("?from=1&to=99", "?from=x&to=1", "?from=1"):
        page = client.get(f"/vehicles/{revision.vehicle_id}/difference/{query}")
        assert page.status_code == 200
        assert "does not exist" in page.content.decode()


def test_a_part_by_its_declaration_in_any_unit(sign_in):
    answer = sign_in("builder").post(
        "/parts/new/motor/",
        {"name": "Motor A", "mass_kg": "18 lb", "continuous_power_w": "3,5 kW", "highest_temperature_c": "230 °F"},
    )
    part = Part.objects.get()
    assert answer.status_code == 302
    assert part.mass_kg == pytest.approx(18 * 0.45359237)  # NIST SP 811 (2008), B.8
    assert part.specification["continuous_power_w"] == pytest.approx(3500)
    assert part.specification["highest_temperature_c"] == pytest.approx(110)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("capacity_ah", "12 V", "not a charge"),
        ("capacity_ah", "-3", "more than"),
        ("capacity_ah", "", "required"),
        ("full_voltage_v", "20", "must be above nominal"),
        ("resistance_ohm", "nan", "not a resistance"),
    ],
)
def test_a_wrong_specification_names_the_field(sign_in, name, text, words):
    good = {
        "name": "M",
        "nominal_voltage_v": "48",
        "full_voltage_v": "54",
        "empty_voltage_v": "39",
        "capacity_ah": "20",
    }
    answer = sign_in("builder").post("/parts/new/battery_module/", {**good, name: text})
    assert answer.status_code == 422
    assert words in str(answer.context["form"].errors[name])
    assert not Part.objects.exists()


def test_wiring_must_use_every_module(sign_in, revision, battery):
    answer = sign_in("builder").post(
        f"/revisions/{revision.pk}/new-fitting/", {"part": battery.pk, "quantity": "5", "series": "2", "parallel": "2"}
    )
    assert answer.status_code == 422
    assert "5 modules cannot be 2 in series × 2 in parallel" in answer.content.decode()


def test_a_pack_above_the_controllers_limit_is_a_warning_with_both_voltages(sign_in, revision, battery, controller):
    Fitting.objects.create(revision=revision, part=battery, quantity=1, series=1, parallel=1)
    Fitting.objects.create(revision=revision, part=controller)
    page = sign_in("reader").get(revision.get_absolute_url()).content.decode()
    assert "The full pack has 58.8 V; the limit of the controller is 55 V." in page


def test_modules_of_two_kinds_are_not_added_up_by_guessing(revision, battery):
    other = Part.objects.create(name="Other", category="battery_module", specification=battery.specification)
    for part in (battery, other):
        Fitting.objects.create(revision=revision, part=part, series=1, parallel=1)
    machine = Machine(revisions_with_parts().get(pk=revision.pk))
    assert machine.pack is None
    assert "battery modules of one kind" in machine.pack_needs


def test_failure_vocabulary_grows_and_keeps_one_spelling(sign_in, revision):
    client = sign_in("recorder")
    row = {
        "revision": revision.pk,
        "severity": "3",
        "effect": "ended",
        "happened_at": "2026-01-17T11:20",
        "state": "open",
    }
    client.post("/failures/new/", {**row, "mode_name": "Chain came off"})
    client.post("/failures/new/", {**row, "mode_name": "chain came off "})
    assert [mode.name for mode in FailureMode.objects.all()] == ["Chain came off"]
    assert Failure.objects.count() == 2


def test_a_refused_failure_leaves_no_new_word_behind(sign_in, revision):
    answer = sign_in("recorder").post(
        "/failures/new/", {"revision": revision.pk, "mode_name": "New word", "severity": "9"}
    )
    assert answer.status_code == 422
    assert not FailureMode.objects.exists()


def test_a_failure_belongs_to_the_revision_of_its_session(sign_in, session):
    other = Revision.objects.create(vehicle=session.revision.vehicle, number=2, date=date(2026, 2, 1))
    answer = sign_in("recorder").post(
        "/failures/new/",
        {
            "revision": other.pk,
            "session": session.pk,
            "mode_name": "x",
            "severity": "3",
            "effect": "none",
            "state": "open",
            "happened_at": "2026-01-17T11:20",
        },
    )
    assert "ridden with another revision" in str(answer.context["form"].errors["session"])


def test_a_modification_answers_earlier_failures(sign_in, failure):
    later = Revision.objects.create(vehicle=failure.revision.vehicle, number=2, date=date(2026, 2, 1))
    sign_in("builder").post(
        f"/revisions/{later.pk}/new-modification/",
        {
            "title": "Tensioner",
            "answers": [failure.pk],
            "expected_measure": "failure_rate",
            "expected_direction": "down",
            "expected_amount_percent": "80",
        },
    )
    assert list(Modification.objects.get().answers.all()) == [failure]
    assert "Tensioner" in sign_in_page(sign_in, failure)


def sign_in_page(sign_in, failure):
    return sign_in("reader").get(failure.get_absolute_url()).content.decode()


def test_a_half_expectation_is_refused(sign_in, revision):
    answer = sign_in("builder").post(
        f"/revisions/{revision.pk}/new-modification/", {"title": "T", "expected_measure": "range"}
    )
    assert answer.status_code == 422
    assert "both what should change and which way" in answer.content.decode()


def test_what_others_rest_on_is_kept_with_a_sentence(sign_in, session):
    client = sign_in("builder")
    answer = client.post(f"/revisions/{session.revision_id}/remove/", follow=True)
    assert "is kept: sessions depend on it" in answer.content.decode()
    assert Revision.objects.exists()


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r: Revision.objects.create(vehicle=r.vehicle, number=1, date=date(2026, 1, 1)),
        lambda r: Revision.objects.filter(pk=r.pk).update(track_width_m=0),
        lambda r: Revision.objects.filter(pk=r.pk).update(parent=r.pk),
        lambda r: Revision.objects.filter(pk=r.pk).update(status="parked"),
        lambda r: Failure.objects.create(revision=r, mode=FailureMode.called("x"), severity=5),
        lambda r: Cause.objects.create(vehicle=r.vehicle, statement=""),
        lambda r: Evidence.objects.create(cause=Cause.objects.create(vehicle=r.vehicle, statement="x")),
        lambda r: Modification.objects.create(revision=r, title="x", expected_amount_percent=-1),
        lambda r: Fitting.objects.create(
            revision=r, part=Part.objects.create(name="p", category="frame"), quantity=3, series=2, parallel=2
        ),
    ],
)
def test_the_database_keeps_the_rules_too(revision, spoil):
    with pytest.raises(IntegrityError), transaction.atomic():
        spoil(revision)


def test_a_parent_must_come_before(revision):
    child = Revision(vehicle=revision.vehicle, number=1, parent=revision, date=date(2026, 1, 1))
    with pytest.raises(ValidationError, match="must come before"):
        child.clean()


def test_parts_below_the_ground_give_no_height(sign_in, revision, battery):
    Revision.objects.filter(pk=revision.pk).update(cg_height_m=None)
    Fitting.objects.create(revision=revision, part=battery, series=1, parallel=1, x_m=0.5, z_m=-0.5)
    page = sign_in("reader").get(revision.get_absolute_url())
    assert page.status_code == 200
    assert page.context["machine"].cg_height_m is None


def test_a_parent_is_kept_for_its_child_but_goes_with_the_whole_machine(sign_in, revision):
    Revision.objects.create(vehicle=revision.vehicle, number=2, parent=revision, date=date(2026, 2, 1))
    client = sign_in("builder")
    answer = client.post(f"/revisions/{revision.pk}/remove/", follow=True)
    assert "is kept: revisions depend on it" in answer.content.decode()
    assert client.delete(f"/api/v1/revisions/{revision.pk}/").status_code == 409
    client.post(f"/vehicles/{revision.vehicle_id}/remove/")
    assert not Revision.objects.exists()
