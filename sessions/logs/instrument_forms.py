"""Forms of a machine's instruments and formulas."""

from __future__ import annotations

import re
from typing import Any

from django import forms

from buildlog.records.forms import RecordForm
from calc.quantities import NotUnderstood, understand
from sessions.logs.column_choices import CHOICES, choice_of, value_of
from sessions.logs.formula_variables import NAMES
from sessions.logs.instrument_columns import MOST_COLUMNS, InstrumentColumn, NotAColumn, read_columns
from sessions.logs.meanings import BY_COLUMN, IGNORE, OTHER, ColumnChoice
from sessions.logs.models import FormulaChannel, Instrument

SPARE_ROWS = 1


class FormulaChannelForm(RecordForm[FormulaChannel]):
    belongs_to = ("vehicle",)

    class Meta:
        model = FormulaChannel
        fields = ["name", "formula", "unit", "notes"]
        help_texts = {
            "name": "As the chart calls it, for example: voltage under the cable.",
            "formula": "With + − * / ** and brackets, abs, min, max, sqrt and rate (the change each second). "
            f"Logged values: {', '.join(NAMES)}. A file's own column goes in quotation marks, a unit stands after a "
            'number: voltage - current * 0.004 * ohm, or "brake pressure" * 2.',
            "unit": "In which it is drawn: W, Wh/km, m/s**2, N*m, or nothing for a plain number.",
        }


class InstrumentForm(RecordForm[Instrument]):
    """An instrument with a row for each column, and one to add; a row without a name goes."""

    belongs_to = ("vehicle",)

    class Meta:
        model = Instrument
        fields = ["name", "interval_s", "notes"]
        help_texts = {
            "name": "For example: pack logger.",
            "interval_s": "Only if no column holds the time, or it holds sample numbers.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        columns = self.instance.known_columns
        # An instrument that was removed while its form was open has no columns, and its form still has them.
        sent = sum(re.fullmatch(r"name-\d+", name) is not None for name in self.data)
        more = max(SPARE_ROWS, min(sent, MOST_COLUMNS + SPARE_ROWS) - len(columns))
        self.rows: list[InstrumentColumn | None] = [*columns, *[None] * more]
        groups = []
        for row, column in enumerate(self.rows):
            names = self._fields_of(row, column)
            self.fields.update(names)
            groups.append((column.name if column else "A further column", tuple(names)))
        self.groups = tuple(groups)
        self.prepare_fields()

    def _fields_of(self, row: int, column: InstrumentColumn | None) -> dict[str, forms.Field]:
        ends = {}
        for end, label in (("lowest", "Lowest it can be"), ("highest", "Highest it can be")):
            value = getattr(column, end) if column else None
            written = "" if column is None or value is None else column.written(value, self.unit_system)
            ends[f"{end}-{row}"] = forms.CharField(label=label, required=False, max_length=40, initial=written)
        return {
            f"name-{row}": forms.CharField(
                label="Name in the file", required=False, max_length=80, initial=column.name if column else ""
            ),
            f"header_unit-{row}": forms.CharField(
                label="Unit in the file's header",
                required=False,
                max_length=80,
                initial=column.header_unit if column else "",
            ),
            f"taken_as-{row}": forms.ChoiceField(
                label="Taken as",
                choices=[(IGNORE, "ignore it"), *CHOICES],
                required=False,
                initial=value_of(_choice(column)) if column else IGNORE,
            ),
            f"scale-{row}": forms.CharField(
                label="Times",
                required=False,
                max_length=20,
                initial=f"{column.scale:.12g}" if column else "1",
                help_text="What its numbers are multiplied by: 1.02 for an instrument that shows 2 % too little, −1 "
                "for the other sign."
                if row == 0
                else "",
            ),
            **ends,
        }

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if self.errors:
            return cleaned
        columns = []
        for row, stored in enumerate(self.rows):
            names = [f"{name}-{row}" for name in ("name", "header_unit", "taken_as", "scale", "lowest", "highest")]
            if stored is not None and not any(self.writes(name) for name in names):
                # As it is stored: the form may show fewer digits.
                columns.append(stored.as_json())
                continue
            choice = choice_of(row, cleaned.get(f"taken_as-{row}") or IGNORE)
            if not cleaned.get(f"name-{row}") or choice is None:
                continue
            columns.append(self._column(row, choice, stored))
        if not self.errors:
            try:
                self.instance.columns = [column.as_json() for column in read_columns(columns)]
            except NotAColumn as error:
                self.add_error(None, str(error))
        return cleaned

    def _post_clean(self) -> None:
        # The model names the columns, for which this form has fields.
        if not self.errors:
            super()._post_clean()

    def _column(self, row: int, choice: ColumnChoice, stored: InstrumentColumn | None) -> dict[str, Any]:
        cleaned = self.cleaned_data
        column: dict[str, Any] = {
            "name": cleaned[f"name-{row}"],
            "header_unit": cleaned.get(f"header_unit-{row}") or "",
            "meaning": choice.meaning,
            "unit": choice.unit,
            "flipped": choice.flipped,
            "scale": self._number(f"scale-{row}", 1.0, OTHER),
        }
        for end in ("lowest", "highest"):
            name = f"{end}-{row}"
            is_same = stored is not None and stored.meaning == choice.meaning and not self.writes(name)
            column[end] = getattr(stored, end) if is_same else self._number(name, None, choice.meaning)
        return column

    def _number(self, name: str, nothing: float | None, meaning: str) -> float | None:
        """A typed number, of a quantity in its stored unit."""
        text = str(self.cleaned_data.get(name) or "").strip()
        if not text:
            return nothing
        try:
            if meaning != OTHER:
                return understand(text, BY_COLUMN[meaning].kind, self.unit_system)
            # A value without a meaning here has whatever unit its file has.
            return float(text.split()[0].replace("−", "-").replace(",", "."))
        except NotUnderstood as error:
            self.add_error(name, str(error))
        except ValueError:
            self.add_error(name, f"“{text}” is no number. Write for example 1.02.")
        return nothing


def _choice(column: InstrumentColumn) -> ColumnChoice:
    return ColumnChoice(0, column.meaning, column.unit, column.flipped, column.scale)
