"""Database, form and API fields for a quantity: one declaration serves all three.

Everything follows from the `QuantityField`: the column with both bounds as a database constraint, form field,
serializer field, phone field, row on the page and line in the glossary (`declared`).
"""

from __future__ import annotations

import math
from typing import Any, TypeVar

from django import forms
from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import models
from rest_framework import serializers

from buildlog.quantities.decimal_sign import in_chosen_sign
from calc.kinds import KINDS
from calc.quantities import NotUnderstood, understand, written
from calc.typed_values import as_typed


class QuantityInput(forms.TextInput):
    template_name = "quantities/widgets/quantity.html"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        # Not type=number: the browser would refuse "7,33" and "110 yd" before the server could read them.
        super().__init__({"inputmode": "text", "autocomplete": "off", "spellcheck": "false", **(attrs or {})})
        self.unit_label = ""
        self.signed = False
        self.is_clock = False

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        context = super().get_context(name, value, attrs)
        context["widget"]["unit_label"] = self.unit_label
        example = context["widget"]["attrs"].get("placeholder", "")
        context["widget"]["attrs"]["placeholder"] = in_chosen_sign(example)
        context["widget"] |= {"signed": self.signed, "is_clock": self.is_clock}
        return context


class QuantityFormField(forms.Field):
    """A typed quantity of one kind, cleaned to a float in its stored unit."""

    widget = QuantityInput

    def __init__(
        self,
        *,
        kind: str,
        low: float,
        high: float,
        includes_low: bool,
        example: str = "",
        system: str = "metric",
        **kwargs: Any,
    ) -> None:
        self.kind, self.low, self.high, self.includes_low = kind, low, high, includes_low
        self.example = example or KINDS[kind].example
        super().__init__(**kwargs)
        self.widget.signed = low < 0
        self.widget.is_clock = kind == "runtime"
        self.use_system(system)

    def use_system(self, system: str) -> None:
        self.system = system
        self.widget.unit_label = KINDS[self.kind].shown_in(system).label
        self.widget.attrs["placeholder"] = f"e.g. {self.example}"

    def prepare_value(self, value: Any) -> Any:
        """A stored number is shown as a person would type it; typed text stays as it was typed."""
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return value
        return in_chosen_sign(as_typed(float(value), self.kind, self.system))

    def to_python(self, value: Any) -> float | None:
        text = "" if value is None else str(value)
        if not text.strip():
            return None
        try:
            number = understand(text, self.kind, self.system, self.example)
        except NotUnderstood as error:
            raise ValidationError(f"{self.label or 'This'}: {error}") from None
        limits = (self.low, self.high, self.includes_low)
        return within(number, *limits, self.kind, self.label or "This", self.system, self.example)

    def has_changed(self, initial: Any, data: Any) -> bool:
        return str(self.prepare_value(initial) or "") != str(data or "")


def within(
    number: float, low: float, high: float, includes_low: bool, kind: str, label: Any, system: str, example: str
) -> float:
    too_low = number < low if includes_low else number <= low
    if not math.isfinite(number) or too_low or number > high:
        least = f"{'at least' if includes_low else 'more than'} {written(low, kind, system)}"
        raise ValidationError(
            f"{label} must be {least} and at most {written(high, kind, system)}; "
            f"{written(number, kind, system)} was written. "
            f"Write for example {example}."
        )
    return number


Stored = TypeVar("Stored", contravariant=True)
Read = TypeVar("Read", covariant=True)


class BoundsConstraint(models.CheckConstraint):
    """Both bounds of a quantity, held by the database.

    A record is not asked about it once more before it is stored: the field's own validator knows the same bounds and
    says them in words, and each constraint that is asked takes three statements.
    """

    def validate(self, *args: Any, **kwargs: Any) -> None:
        return

    def deconstruct(self) -> Any:
        # Migrations need not know that it is special.
        _, args, kwargs = super().deconstruct()
        return "django.db.models.CheckConstraint", args, kwargs


class QuantityField(models.FloatField[Stored, Read]):
    """A stored quantity. Its name ends in its unit; `kind` says how it is typed and shown.

    `low` (itself allowed if `includes_low`) and `high` bound it, at every door and in the database. `group` is the
    heading above it in its form, in the order of the model's columns. `phone` names the screen of the field
    page that has it. `short_label` heads its row and column on pages, where the label is too long for that.
    `sample` is what a form shows as an example, where neither the default nor that of its kind is a likely one.
    `how` names the column that says how it is known. A page that shows a quantity in words of its own leaves it out
    of the rows (`in_rows=False`).
    """

    def __init__(
        self,
        *args: Any,
        kind: str,
        low: float = 0.0,
        high: float = 1e9,
        includes_low: bool = True,
        group: str = "",
        phone: str = "",
        short_label: str = "",
        how: str = "",
        sample: str = "",
        in_rows: bool = True,
        **kwargs: Any,
    ) -> None:
        self.kind, self.low, self.high, self.includes_low = kind, low, high, includes_low
        self.group, self.phone, self.short_label, self.how, self.in_rows = group, phone, short_label, how, in_rows
        self.sample = sample
        super().__init__(*args, **kwargs)

    @property
    def label(self) -> str:
        text = str(self.verbose_name)
        return text[:1].upper() + text[1:]

    @property
    def example(self) -> str:
        """Something that may be typed here."""
        default = written(self.default, self.kind) if self.has_default() and self.default else ""
        return self.sample or default or KINDS[self.kind].example

    @property
    def heading(self) -> str:
        return self.short_label or self.label

    def contribute_to_class(self, cls: type[models.Model], name: str, private_only: bool = False) -> None:
        super().contribute_to_class(cls, name, private_only)
        meta = cls._meta
        # A model of a migration has the constraints that the migration lists.
        if not meta.abstract and meta.apps is apps:
            meta.constraints = [*meta.constraints, self._bounds(meta.model_name)]
            meta.original_attrs["constraints"] = meta.constraints

    def _bounds(self, model_name: str | None) -> BoundsConstraint:
        lower = {f"{self.name}__{'gte' if self.includes_low else 'gt'}": self.low}
        within_bounds = models.Q(**lower, **{f"{self.name}__lte": self.high})
        condition = models.Q(**{f"{self.name}__isnull": True}) | within_bounds if self.null else within_bounds
        return BoundsConstraint(
            condition=condition,
            name=f"{model_name}_{self.name}_within_bounds",
            violation_error_message=f"{self.label} cannot be that.",
        )

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        return name, path, args, {**kwargs, "kind": self.kind}

    def formfield(self, form_class: Any = QuantityFormField, choices_form_class: Any = None, **kwargs: Any) -> Any:
        limits = {"low": self.low, "high": self.high, "includes_low": self.includes_low, "example": self.example}
        arguments = {"kind": self.kind, **limits, **kwargs, "widget": QuantityInput()}
        return models.Field.formfield(self, form_class, choices_form_class, **arguments)

    @property
    def validators(self) -> list[Any]:
        return [*super().validators, self._check_limits]

    def _check_limits(self, value: float) -> None:
        within(value, self.low, self.high, self.includes_low, self.kind, self.label, "metric", self.example)


class QuantitySerializerField(serializers.FloatField):
    """A number in the stored unit, or a text with its unit as people write it ("110 yd")."""

    def __init__(self, *, kind: str, low: float, high: float, includes_low: bool, example: str, **kwargs: Any) -> None:
        self.kind, self.low, self.high, self.includes_low, self.example = kind, low, high, includes_low, example
        kwargs.setdefault("help_text", f"{kind}; a number, or text with a unit, for example {example!r}")
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> float:
        label = (self.label or self.field_name or "This").strip()
        if isinstance(data, bool) or not isinstance(data, (int, float, str)):
            raise serializers.ValidationError(
                f"{label} must be a number or a text with its unit, for example {self.example!r}."
            )
        try:
            number = understand(data, self.kind, example=self.example) if isinstance(data, str) else float(data)
            limits = (self.low, self.high, self.includes_low)
            return within(number, *limits, self.kind, label, "metric", self.example)
        except (NotUnderstood, OverflowError) as error:
            raise serializers.ValidationError(f"{label}: {error}") from None
        except ValidationError as error:
            raise serializers.ValidationError(error.messages) from None


def serializer_arguments(field: QuantityField[Any, Any]) -> dict[str, Any]:
    return {
        "kind": field.kind,
        "low": field.low,
        "high": field.high,
        "includes_low": field.includes_low,
        "example": field.example,
        "required": not (field.null or field.has_default()),
        "allow_null": field.null,
        "label": field.label,
    }
