"""Database, form and API fields for a quantity: one declaration of its kind serves all three."""

from __future__ import annotations

import math
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import models
from rest_framework import serializers

from calc.quantities import KINDS, NotUnderstood, in_shown_unit, understand, written


class QuantityInput(forms.TextInput):
    template_name = "buildlog/widgets/quantity.html"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        # Not type=number: that would refuse "7,33" and "110 yd" before anybody could read them.
        super().__init__({"inputmode": "text", "autocomplete": "off", "spellcheck": "false", **(attrs or {})})
        self.unit_label = ""
        self.signed = False

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        context = super().get_context(name, value, attrs)
        context["widget"]["unit_label"] = self.unit_label
        context["widget"]["signed"] = self.signed
        return context


class QuantityFormField(forms.Field):
    """A typed quantity of one kind, cleaned to a float in its stored unit."""

    widget = QuantityInput

    def __init__(
        self, *, kind: str, low: float, high: float, includes_low: bool, system: str = "metric", **kwargs: Any
    ):
        self.kind, self.low, self.high, self.includes_low = kind, low, high, includes_low
        super().__init__(**kwargs)
        self.widget.signed = low < 0
        self.use_system(system)

    def use_system(self, system: str) -> None:
        self.system = system
        self.widget.unit_label = KINDS[self.kind].shown_in(system).label
        self.widget.attrs["placeholder"] = f"e.g. {KINDS[self.kind].example}"

    def prepare_value(self, value: Any) -> Any:
        """A stored number is shown in the reader's unit; typed text stays as it was typed."""
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return value
        return f"{in_shown_unit(float(value), self.kind, self.system):.12g}"

    def to_python(self, value: Any) -> float | None:
        text = "" if value is None else str(value)
        if not text.strip():
            return None
        try:
            number = understand(text, self.kind, self.system)
        except NotUnderstood as error:
            raise ValidationError(f"{self.label or 'This'}: {error}") from None
        return within(number, self.low, self.high, self.includes_low, self.kind, self.label or "This", self.system)

    def has_changed(self, initial: Any, data: Any) -> bool:
        return str(self.prepare_value(initial) or "") != str(data or "")


def within(number: float, low: float, high: float, includes_low: bool, kind: str, label: Any, system: str) -> float:
    too_low = number < low if includes_low else number <= low
    if not math.isfinite(number) or too_low or number > high:
        limits = []
        if math.isfinite(low):
            limits.append(f"{'at least' if includes_low else 'more than'} {written(low, kind, system)}")
        if math.isfinite(high):
            limits.append(f"at most {written(high, kind, system)}")
        raise ValidationError(
            f"{label} must be {' and '.join(limits)}; {written(number, kind, system)} was written. "
            f"Write for example {KINDS[kind].example}."
        )
    return number


class QuantityField(models.FloatField):
    """A stored quantity. Its name ends in its unit; `kind` says how it is typed and shown."""

    def __init__(
        self, *args: Any, kind: str, low: float = 0.0, high: float = 1e9, includes_low: bool = True, **kwargs: Any
    ) -> None:
        self.kind, self.low, self.high, self.includes_low = kind, low, high, includes_low
        super().__init__(*args, **kwargs)

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        return name, path, args, {**kwargs, "kind": self.kind}

    def formfield(self, **kwargs: Any) -> Any:
        limits = {"low": self.low, "high": self.high, "includes_low": self.includes_low}
        defaults = {"form_class": QuantityFormField, "kind": self.kind, **limits}
        return models.Field.formfield(self, **{**defaults, **kwargs, "widget": QuantityInput()})

    @property
    def validators(self) -> list[Any]:
        return [*super().validators, self._check_limits]

    def _check_limits(self, value: float) -> None:
        within(value, self.low, self.high, self.includes_low, self.kind, str(self.verbose_name).capitalize(), "metric")


class QuantitySerializerField(serializers.FloatField):
    """A number in the stored unit, or a text with its unit as people write it ("110 yd")."""

    def __init__(self, *, kind: str, low: float, high: float, includes_low: bool, **kwargs: Any) -> None:
        self.kind, self.low, self.high, self.includes_low = kind, low, high, includes_low
        kwargs.setdefault("help_text", f"{kind}; a number, or text with a unit, for example {KINDS[kind].example!r}")
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> float:
        label = (self.label or self.field_name or "This").strip()
        if isinstance(data, bool) or not isinstance(data, (int, float, str)):
            raise serializers.ValidationError(
                f"{label} must be a number or a text with its unit, for example {KINDS[self.kind].example!r}."
            )
        try:
            number = understand(data, self.kind) if isinstance(data, str) else float(data)
            return within(number, self.low, self.high, self.includes_low, self.kind, label, "metric")
        except (NotUnderstood, OverflowError) as error:
            raise serializers.ValidationError(f"{label}: {error}") from None
        except ValidationError as error:
            raise serializers.ValidationError(error.messages) from None


def serializer_arguments(field: QuantityField) -> dict[str, Any]:
    return {
        "kind": field.kind,
        "low": field.low,
        "high": field.high,
        "includes_low": field.includes_low,
        "required": not (field.null or field.has_default()),
        "allow_null": field.null,
        "label": str(field.verbose_name).capitalize(),
    }
