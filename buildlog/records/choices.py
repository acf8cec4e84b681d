"""A choice among records that may as well be a new one, made in the same form or on a page of its own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django import forms
from django.forms.models import ModelChoiceIterator

NEW = "new"
"""The value of the choice that opens the fields of a new record."""


class _WithNew(ModelChoiceIterator):
    field: ChoiceOrNew

    def __iter__(self) -> Iterator[Any]:
        yield from super().__iter__()
        yield NEW, self.field.new_label

    def __len__(self) -> int:
        return super().__len__() + 1


class ChoiceOrNew(forms.ModelChoiceField[Any]):
    """A choice whose last option opens the fields `opens` of the same form; it is cleaned to None then.

    The page's style opens and closes them, so this works without a script.
    """

    iterator = _WithNew

    def __init__(self, *args: Any, opens: tuple[str, ...], new_label: str, **kwargs: Any) -> None:
        self.opens, self.new_label = opens, new_label
        super().__init__(*args, **kwargs)

    def to_python(self, value: Any) -> Any:
        return None if value == NEW else super().to_python(value)

    def validate(self, value: Any) -> None:
        # Whether a new one was named instead is for the form to say.
        return


def is_new(form: forms.BaseForm, name: str) -> bool:
    """Whether a sent form chose the new record of a field."""
    return str(form[name].value() or "") == NEW
