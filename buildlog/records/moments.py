"""A day with its time of day in a form: typed as pages write it, in 24 hours and in the log's own time zone."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils import timezone

SHOWN = "%Y-%m-%d %H:%M"
READ = (SHOWN, "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H.%M", "%d.%m.%Y %H:%M", "%d.%m.%Y %H.%M")
"""Seconds, and the day written the other way round, are understood as well; ISO 8601 always is."""
REFUSED = "Write the day and the time in 24 hours, for example 2026-01-17 14:30."


class MomentInput(forms.DateTimeInput):
    """Text, because a browser's own field shows the hours as its language does, 12 of them in some."""

    template_name = "records/widgets/moment.html"

    def __init__(self) -> None:
        attributes = {"autocomplete": "off", "spellcheck": "false", "placeholder": "2026-01-17 14:30"}
        super().__init__(attributes, SHOWN)

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        context = super().get_context(name, value, attrs)
        # "Europe/Helsinki" is Helsinki's time.
        context["widget"]["zone"] = timezone.get_current_timezone_name().rpartition("/")[2].replace("_", " ")
        return context


def read_as_written(field: forms.DateTimeField) -> None:
    """Let a field take what `READ` lists, and refuse other text with an example."""
    field.input_formats = READ
    field.error_messages["invalid"] = REFUSED


def day_input() -> forms.DateInput:
    return forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
