"""Steps of migrations that are made together, because the models or the tables need to be made anew only once."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.db import migrations
from django.db.migrations.operations import AddConstraint
from django.db.migrations.operations.base import Operation


class StepsTogether(migrations.SeparateDatabaseAndState):
    """Steps of which each can be made with the models as they are before and after all of them.

    That holds for indexes, options of models, constraints, and columns of which no table gets two. The framework makes
    the models anew at each step, and all that refer to them: most of the time of an update. Here that is done once.
    """

    def __init__(self, operations: list[Operation], *, in_database: bool = True) -> None:
        super().__init__(database_operations=operations if in_database else [], state_operations=operations)

    def deconstruct(self) -> tuple[str, list[Any], dict[str, Any]]:
        return type(self).__name__, [self.state_operations], {"in_database": bool(self.database_operations)}

    def state_forwards(self, app_label: str, state: Any) -> None:
        made = state.__dict__.pop("apps", None)
        super().state_forwards(app_label, state)
        if made is not None:
            state.apps = made
            state.reload_models({(app_label, _model_of(step)) for step in self.state_operations}, delay=False)

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        for operation in self.database_operations:
            operation.database_forwards(app_label, schema_editor, from_state, to_state)


class ConstraintsTogether(StepsTogether):
    """Many changes of constraints in one step, so that SQLite rebuilds each table once and not once for each change."""

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        if schema_editor.connection.vendor != "sqlite":
            super().database_forwards(app_label, schema_editor, from_state, to_state)
            return
        self._rebuild_tables(app_label, schema_editor, to_state)

    def database_backwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        if schema_editor.connection.vendor != "sqlite":
            super().database_backwards(app_label, schema_editor, from_state, to_state)
            return
        self._rebuild_tables(app_label, schema_editor, to_state)

    def _rebuild_tables(self, app_label: str, schema_editor: Any, state: Any) -> None:
        last = {added.model_name: added.constraint for added in added_constraints(self.state_operations)}
        for model_name, constraint in last.items():
            # Adding any one constraint makes SQLite rebuild the table with all constraints of its model in this state.
            schema_editor.add_constraint(state.apps.get_model(app_label, model_name), constraint)


def added_constraints(operations: Iterable[Operation]) -> list[Any]:
    """The steps that add a constraint. Their `model_name` and `constraint` are missing in the framework's stubs."""
    return [step for step in operations if isinstance(step, AddConstraint)]


def _model_of(step: Any) -> str:
    """In lower case; a step names its model by one of two attributes, which the framework's stubs do not have."""
    name: str = step.model_name_lower if hasattr(step, "model_name_lower") else step.name_lower
    return name
