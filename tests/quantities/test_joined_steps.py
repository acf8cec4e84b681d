"""Steps that are made together leave the models that the same steps leave one by one, and make them anew once."""

from unittest import mock

from django.db import migrations, models
from django.db.migrations.state import ModelState, ProjectState, StateApps

from buildlog.quantities.joined_steps import ConstraintsTogether, StepsTogether

COLUMNS = [
    migrations.AddField(name, "weight_kg", models.FloatField(null=True)) for name in ("sled", "battery", "motor")
]
CONSTRAINTS = [
    migrations.AddConstraint(
        name, models.CheckConstraint(condition=models.Q(weight_kg__gt=0), name=f"{name}_weight_kg_above_zero")
    )
    for name in ("sled", "battery", "motor")
]


def rendered():
    """Models that refer to each other, with classes made of them."""
    state = ProjectState()
    state.add_model(ModelState("shed", "Sled", [("id", models.AutoField(primary_key=True))]))
    for name in ("Battery", "Motor"):
        sled = models.ForeignKey("shed.Sled", models.CASCADE)
        state.add_model(ModelState("shed", name, [("id", models.AutoField(primary_key=True)), ("sled", sled)]))
    assert len(state.apps.get_models()) == 3
    return state


def after(*steps):
    """What the models are after the steps, and how often classes were made of them."""
    state = rendered()
    with mock.patch.object(StateApps, "render_multiple", autospec=True, side_effect=StateApps.render_multiple) as made:
        for step in steps:
            step.state_forwards("shed", state)
    classes = {
        model.__name__: (
            sorted(field.name for field in model._meta.get_fields()),
            [constraint.name for constraint in model._meta.constraints],
            model._meta.get_field("sled").related_model if model.__name__ != "Sled" else None,
        )
        for model in state.apps.get_models()
    }
    sled = state.apps.get_model("shed", "Sled")
    assert all(values[2] in (None, sled) for values in classes.values())
    return {name: values[:2] for name, values in classes.items()}, made.call_count


def test_the_models_are_the_same_and_made_once():
    singly, times_singly = after(*COLUMNS, *CONSTRAINTS)
    together, times_together = after(StepsTogether(COLUMNS), ConstraintsTogether(CONSTRAINTS))
    assert together == singly
    assert "weight_kg" in together["Motor"][0]
    assert (times_singly, times_together) == (6, 2)
