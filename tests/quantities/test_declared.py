"""A stored quantity is declared once: bounds, form, API, page and glossary follow."""

import html
import math

import pytest
from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from buildlog.machines.balance_tests import BalanceTest
from buildlog.machines.specifications import CATEGORIES, read_specification
from buildlog.quantities.bounds_migration import set_aside_what_is_beyond
from buildlog.quantities.declared import glossary, quantities_of, quantity_names
from buildlog.quantities.fields import QuantityField, QuantityFormField
from calc.kinds import KINDS
from calc.quantities import written
from calc.units import registry
from sessions.models import Assumptions

MODELS = [*apps.get_app_config("buildlog").get_models(), *apps.get_app_config("test_sessions").get_models()]
QUANTITIES = [(model, field) for model in MODELS for field in quantities_of(model)]
NAMES = [f"{model.__name__}.{field.name}" for model, field in QUANTITIES]


@pytest.fixture
def of_each_kind(
    revision,
    battery,
    session,
    gate,
    timed_pass,
    reading,
    failure,
    fitting,
    log,
    individual,
    upkeep_item,
    upkeep_check,
    instrument,
    mark_tap,
    voice_note,
):
    records = {
        type(record).__name__: record
        for record in (
            revision,
            battery,
            session,
            gate,
            timed_pass,
            reading,
            failure,
            fitting,
            log,
            individual,
            instrument,
            mark_tap,
            voice_note,
        )
    }
    records |= {"UpkeepItem": upkeep_item, "UpkeepCheck": upkeep_check}
    known = Assumptions.objects.create(vehicle=revision.vehicle)
    tilted = BalanceTest.objects.create(revision=revision, kind="tilt", side="left", tilt_deg=40.0)
    return {**records, "Assumptions": known, "GateMark": gate.marks.last(), "BalanceTest": tilted}


def store(record, name, value):
    if name == "begins_into_session_s":
        type(record).objects.filter(pk=record.pk).update(clock="hand", **{name: value})
        return
    with_it = {"kind": "torque"} if type(record).__name__ == "UpkeepItem" and name == "torque_nm" else {}
    type(record).objects.filter(pk=record.pk).update(**{name: value} | with_it)


def a_value_of(field):
    """A number of three digits that no other example has, within the field's bounds."""
    top = min(
        field.high, {"trip": 50000.0, "runtime": 5000.0, "temperature": 50.0, "duration": 20.0}.get(field.kind, 700.0)
    )
    bottom = max(field.low, 0.0)
    return float(f"{bottom + 0.3937 * (top - bottom):.3g}")


@pytest.mark.parametrize(("model", "field"), QUANTITIES, ids=NAMES)
def test_the_database_holds_both_bounds(model, field, of_each_kind):
    record = of_each_kind[model.__name__]
    store(record, field.name, a_value_of(field))
    beyond = [math.nextafter(field.low, -math.inf) if field.includes_low else field.low]
    beyond.append(math.nextafter(field.high, math.inf))
    for value in beyond:
        with pytest.raises(IntegrityError), transaction.atomic():
            store(record, field.name, value)


PAGES = {
    "Assumptions": lambda record: f"/vehicles/{record.pk}/assumptions/",
    "Fitting": lambda record: record.revision.get_absolute_url(),
    "GateMark": lambda record: record.gate.get_absolute_url(),
    "BalanceTest": lambda record: f"/revisions/{record.revision_id}/space/",
    "UpkeepCheck": lambda record: record.item.get_absolute_url(),
    "VoiceNote": lambda record: record.session.get_absolute_url(),
}


@pytest.mark.parametrize(("model", "field"), QUANTITIES, ids=NAMES)
def test_every_stored_quantity_is_shown_on_a_page(model, field, of_each_kind, sign_in):
    record = of_each_kind[model.__name__]
    value = a_value_of(field)
    store(record, field.name, value)
    page = PAGES.get(model.__name__, lambda record: record.get_absolute_url())(record)
    words = html.unescape(sign_in("builder").get(page).content.decode())
    texts = [written(value, field.kind, "metric", None, digits) for digits in (3, 4)]
    if model.__name__ == "Assumptions":
        # This page is a form: it shows the bare number, with the unit beside it.
        texts = [f'value="{text.split()[0]}"' for text in texts]
    if model.__name__ == "MarkTap":
        # Shown as ± twice the standard uncertainty.
        texts = [written(2 * value, field.kind, "metric", None, digits) for digits in (3, 4)]
    if model.__name__ == "Pass" and field.name == "duration_s":
        # Shown with the uncertainty that follows from how it was timed.
        texts = [f">{text.split()[0]}" for text in texts]
    assert any(text in words for text in texts), texts


def test_the_glossary_has_every_quantity_with_its_unit():
    lines = {line.name: line for line in glossary(MODELS)}
    assert list(lines) == NAMES
    for (_, field), line in zip(QUANTITIES, lines.values(), strict=True):
        assert registry().Unit("dimensionless" if line.unit == "1" else line.unit) == registry().Unit(
            KINDS[field.kind].stored
        )


def test_names_stand_in_the_order_of_the_columns_and_others_after_what_they_belong_to():
    from sessions.models import Session

    names = quantity_names(Session, "Ride and battery", distance_m="distance_method")
    assert names.index("distance_method") == names.index("distance_m") + 1
    assert set(quantity_names(Session)) > set(names) - {"distance_method"}


def test_a_bound_that_comes_later_keeps_what_was_beyond_it_in_words(session):
    """What no page took, but a table without the bound had: unknown afterwards, and the number stays readable."""
    from django.db import connection, models
    from django.db.migrations import AddConstraint

    from sessions.models import Session

    Session.objects.filter(pk=session.pk).update(wind_speed_mps=12.0, notes="Gusts.")
    bound = models.CheckConstraint(
        condition=models.Q(wind_speed_mps__isnull=True) | models.Q(wind_speed_mps__gte=0, wind_speed_mps__lte=10),
        name="session_wind_speed_mps_within_bounds",
    )
    step = set_aside_what_is_beyond("test_sessions", [AddConstraint("session", bound)])
    step.code(apps, connection.schema_editor())
    session.refresh_from_db()
    assert session.wind_speed_mps is None
    assert session.notes == "Gusts.\nwind_speed_mps was 12, which is not possible; an update removed it."


def test_a_bound_that_comes_later_moves_what_must_have_a_value(revision):
    from django.db import connection, models
    from django.db.migrations import AddConstraint

    known = Assumptions.objects.create(vehicle=revision.vehicle, reserve_fraction=0.9)
    bound = models.CheckConstraint(
        condition=models.Q(reserve_fraction__gte=0, reserve_fraction__lte=0.5),
        name="assumptions_reserve_fraction_within_bounds",
    )
    set_aside_what_is_beyond("test_sessions", [AddConstraint("assumptions", bound)]).code(
        apps, connection.schema_editor()
    )
    known.refresh_from_db()
    assert known.reserve_fraction == 0.5


def test_a_label_is_not_lower_cased():
    assert QuantityField("energy at the wall, in Wh", kind="energy").label == "Energy at the wall, in Wh"


SPECIFIED = [(category.name, field) for category in CATEGORIES.values() for field in category.fields if field.kind]
FORM_FIELDS = {
    **{name: field.formfield() for name, (_, field) in zip(NAMES, QUANTITIES, strict=True)},
    **{f"{name}.{field.name}": QuantityFormField(**field.form_arguments()) for name, field in SPECIFIED},
}


@pytest.mark.parametrize("name", FORM_FIELDS)
def test_what_a_field_shows_as_an_example_may_be_typed_in_it(name):
    """An error that names an example must not name one that is refused in turn."""
    field = FORM_FIELDS[name]
    for system in ("metric", "imperial"):
        field.use_system(system)
        for example in field.example.split(" or "):
            assert math.isfinite(field.clean(example))


def test_an_error_names_an_example_of_its_own_field():
    u_press = Assumptions._meta.get_field("u_press_s").formfield()
    for typed in ("60", "x"):
        with pytest.raises(ValidationError) as refused:
            u_press.clean(typed)
        assert refused.value.messages[0].endswith("Write for example 0.1 s.")
    with pytest.raises(ValidationError) as refused:
        read_specification("cable", {"section_mm2": 16, "length_m": 2, "insulation_temperature_c": 12})
    assert refused.value.message_dict["insulation_temperature_c"] == [
        "Highest temperature of its insulation must be at least 70 °C and at most 200 °C; 12 °C was written. "
        "Write for example 90 °C."
    ]
