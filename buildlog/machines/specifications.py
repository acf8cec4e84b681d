"""The specification of each category of part: its fields, for forms, API validation and display."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError

from buildlog.quantities.fields import within
from calc import fuses
from calc.kinds import KINDS
from calc.quantities import NotUnderstood, understand, written


@dataclass(frozen=True)
class SpecificationField:
    """One quantity of a part's specification, or a choice. The name of a quantity ends in the stored unit.

    example: what its form shows, where that of its kind is not a likely one.
    choices: what may be stored with its words, where it is no quantity; `kind` is then empty.
    """

    name: str
    label: str
    kind: str
    required: bool = False
    low: float = 0.0
    high: float = math.inf
    example: str = ""
    choices: tuple[tuple[str, str], ...] = ()

    def in_words(self, value: Any, system: str = "metric") -> str:
        """A stored value as pages show it."""
        return dict(self.choices)[value] if self.choices else written(value, self.kind, system)

    def form_arguments(self) -> dict[str, Any]:
        """How `QuantityFormField` asks for it."""
        return {
            "kind": self.kind,
            "low": self.low,
            "high": self.high,
            "includes_low": self.low != 0,
            "label": self.label,
            "example": self.example or KINDS[self.kind].example,
        }


@dataclass(frozen=True)
class Category:
    name: str
    label: str
    fields: tuple[SpecificationField, ...]


FUSE_POINTS = (("opens_at_2_times_s", 2.0), ("opens_at_3_5_times_s", 3.5), ("opens_at_6_times_s", 6.0))
"""Points of a fuse's curve that data sheets by ISO 8820 give, as multiples of its rating."""

_CATEGORIES = (
    Category(
        "battery_module",
        "Battery module",
        (
            SpecificationField("nominal_voltage_v", "Nominal voltage", "voltage", required=True, high=1500),
            SpecificationField("full_voltage_v", "Full voltage", "voltage", required=True, high=1500, example="58.8 V"),
            SpecificationField("empty_voltage_v", "Empty voltage", "voltage", required=True, high=1500, example="42 V"),
            SpecificationField("capacity_ah", "Capacity", "charge", required=True, high=10000),
            SpecificationField("continuous_current_a", "Continuous current", "current", high=10000),
            SpecificationField("peak_current_a", "Peak current", "current", high=10000),
            SpecificationField("charging_current_a", "Highest charging current", "current", high=10000, example="20 A"),
            SpecificationField("resistance_ohm", "Internal resistance", "resistance", high=10),
            SpecificationField(
                "highest_temperature_c", "Highest temperature", "temperature", low=-50, high=400, example="60 °C"
            ),
            SpecificationField(
                "lowest_temperature_c", "Lowest temperature", "temperature", low=-100, high=100, example="-20 °C"
            ),
            SpecificationField(
                "lowest_charging_temperature_c",
                "Lowest temperature while charged",
                "temperature",
                low=-100,
                high=100,
                example="0 °C",
            ),
        ),
    ),
    Category(
        "motor",
        "Motor",
        (
            SpecificationField("motor_constant_rpm_per_v", "Speed constant Kv", "motor constant", high=5000),
            SpecificationField("continuous_power_w", "Continuous power", "power", high=1e6),
            SpecificationField("peak_power_w", "Peak power", "power", high=1e6),
            SpecificationField("peak_time_s", "Longest time at peak", "duration", high=3600, example="30 s"),
            SpecificationField("highest_voltage_v", "Highest voltage", "voltage", high=1500, example="72 V"),
            SpecificationField("continuous_current_a", "Continuous current", "current", high=10000),
            SpecificationField("peak_current_a", "Peak current", "current", high=10000),
            SpecificationField("highest_speed_rpm", "Highest speed", "rotation", high=200000),
            SpecificationField(
                "highest_temperature_c", "Highest temperature", "temperature", low=-50, high=400, example="120 °C"
            ),
        ),
    ),
    Category(
        "speed_controller",
        "Speed controller",
        (
            SpecificationField(
                "highest_voltage_v", "Highest voltage", "voltage", required=True, high=1500, example="72 V"
            ),
            SpecificationField("lowest_voltage_v", "Low-voltage cut-off", "voltage", high=1500, example="39 V"),
            SpecificationField("continuous_current_a", "Continuous current", "current", high=10000),
            SpecificationField("peak_current_a", "Peak current", "current", high=10000),
            SpecificationField("peak_time_s", "Longest time at peak", "duration", high=3600, example="10 s"),
            SpecificationField("phase_current_a", "Highest phase current", "current", high=10000),
            SpecificationField("regeneration_current_a", "Regeneration current", "current", high=10000, example="30 A"),
            SpecificationField("capacitance_uf", "Input capacitance", "capacitance", high=1e6),
            SpecificationField(
                "highest_temperature_c", "Highest temperature", "temperature", low=-50, high=400, example="80 °C"
            ),
        ),
    ),
    Category(
        "fuse",
        "Fuse",
        (
            SpecificationField("rated_current_a", "Rated current", "current", required=True, high=10000),
            SpecificationField("fuse_kind", "Kind of fuse", "", choices=fuses.KINDS),
            SpecificationField("highest_voltage_v", "Highest d.c. voltage", "voltage", high=1500, example="80 V"),
            SpecificationField("breaking_capacity_a", "Breaking capacity, d.c.", "current", high=1e6, example="2000 A"),
            *(
                SpecificationField(
                    name, f"Opens within, at {share:g} times its rating", "duration", high=36000, example="2 s"
                )
                for name, share in FUSE_POINTS
            ),
        ),
    ),
    Category(
        "main_switch",
        "Main switch or kill switch",
        (
            SpecificationField("continuous_current_a", "Continuous current", "current", high=10000),
            SpecificationField("highest_voltage_v", "Highest d.c. voltage", "voltage", high=1500, example="80 V"),
        ),
    ),
    Category(
        "precharge",
        "Precharge resistor",
        (SpecificationField("resistance_ohm", "Resistance", "resistor", required=True, high=1e6),),
    ),
    Category(
        "connector",
        "Connector",
        (
            SpecificationField("continuous_current_a", "Continuous current", "current", high=10000),
            SpecificationField("highest_voltage_v", "Highest d.c. voltage", "voltage", high=1500, example="80 V"),
            SpecificationField("resistance_ohm", "Contact resistance", "resistance", high=1, example="0.3 mΩ"),
        ),
    ),
    Category(
        "cable",
        "Cable",
        (
            SpecificationField("section_mm2", "Section of copper", "section", required=True, low=0.5, high=300),
            SpecificationField(
                "length_m", "Length, there and back", "length", required=True, high=100, example="2.4 m"
            ),
            SpecificationField(
                "insulation_temperature_c",
                "Highest temperature of its insulation",
                "temperature",
                low=70,
                high=200,
                example="90 °C",
            ),
            SpecificationField("continuous_current_a", "Continuous current, by its maker", "current", high=10000),
        ),
    ),
    Category(
        "charger",
        "Charger",
        (
            SpecificationField(
                "output_voltage_v",
                "Voltage at its end of charge",
                "voltage",
                required=True,
                high=1500,
                example="58.8 V",
            ),
            SpecificationField("charging_current_a", "Charging current", "current", high=10000, example="10 A"),
        ),
    ),
    Category(
        "driven_wheel",
        "Driven wheel or track",
        (
            SpecificationField("rolling_circumference_m", "Rolling circumference", "length", high=20),
            SpecificationField("width_m", "Width", "small length", high=5, example="90 mm"),
        ),
    ),
    Category(
        "runner",
        "Runner or ski",
        (
            SpecificationField("length_m", "Length", "length", high=10),
            SpecificationField("width_m", "Width", "small length", high=5, example="60 mm"),
        ),
    ),
    Category("frame", "Frame", (SpecificationField("length_m", "Length", "length", high=20),)),
    Category(
        "drivetrain",
        "Drivetrain",
        (
            SpecificationField("drive_ratio", "Drive ratio (motor turns per wheel turn)", "ratio", high=200),
            SpecificationField("chain_pitch_m", "Chain pitch", "small length", high=1),
            SpecificationField(
                "breaking_load_kg", "Breaking load, as a hanging mass", "mass", high=1e5, example="1800 kg"
            ),
        ),
    ),
    Category(
        "brake",
        "Brake",
        (SpecificationField("disc_diameter_m", "Disc diameter", "small length", high=2, example="180 mm"),),
    ),
    Category(
        "bracket", "Bracket", (SpecificationField("thickness_m", "Thickness", "small length", high=1, example="4 mm"),)
    ),
    Category("other", "Other", ()),
)
CATEGORIES = {category.name: category for category in _CATEGORIES}
CATEGORY_CHOICES = [(category.name, category.label) for category in _CATEGORIES]


def read_specification(category_name: str, values: Any, system: str = "metric") -> dict[str, Any]:
    """A specification as stored: numbers in the unit of their names, and choices.

    `values` maps field names to numbers, or to text as people write it. Raises ValidationError with one sentence
    for each wrong field, keyed by its name.
    """
    category = CATEGORIES.get(category_name)
    if category is None:
        names = ", ".join(CATEGORIES)
        raise ValidationError({"category": f"{category_name!r} is not a category. The categories are {names}."})
    if not isinstance(values, dict):
        raise ValidationError({"specification": 'A specification is a table such as {"capacity_ah": 38}.'})
    errors: dict[str, str] = {}
    field_names = {field.name for field in category.fields}
    for name in values:
        if name not in field_names:
            listed = ", ".join(sorted(field_names)) or "nothing"
            errors[str(name)] = f"A {category.label.lower()} has no {name}. Its fields are: {listed}."
    stored: dict[str, Any] = {}
    for field in category.fields:
        value = values.get(field.name)
        if value is None or value == "":
            if field.required:
                errors[field.name] = f"{field.label} is needed for a {category.label.lower()}."
            continue
        try:
            stored[field.name] = _choice(field, value) if field.choices else _number(field, value, system)
        except NotUnderstood as error:
            errors[field.name] = f"{field.label}: {error}"
        except ValidationError as error:
            errors[field.name] = error.messages[0]
    if category.name == "battery_module" and not errors:
        errors.update(_battery_order(stored) or _temperature_order(stored))
    if category.name == "fuse" and not errors:
        errors.update(_opening_order(stored))
    if errors:
        raise ValidationError(errors)
    return stored


def _choice(field: SpecificationField, value: Any) -> str:
    if value not in dict(field.choices):
        listed = ", ".join(key for key, _ in field.choices)
        raise NotUnderstood(f"{value!r} is none of its choices: {listed}.")
    return str(value)


def _number(field: SpecificationField, value: Any, system: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise NotUnderstood(f"{value!r} is not a number.")
    asked = field.form_arguments()
    number = understand(value, field.kind, system, asked["example"]) if isinstance(value, str) else float(value)
    return within(number, **asked, system=system)


def _battery_order(stored: dict[str, float]) -> dict[str, str]:
    full, nominal, empty = (stored[f"{name}_voltage_v"] for name in ("full", "nominal", "empty"))
    if empty < nominal < full:
        return {}
    return {
        "full_voltage_v": f"Full voltage {full:g} V must be above nominal {nominal:g} V, "
        f"and nominal above empty {empty:g} V. For example 58.8, 50.4 and 35."
    }


def _temperature_order(stored: dict[str, float]) -> dict[str, str]:
    highest = stored.get("highest_temperature_c")
    return {
        name: f"{label} {stored[name]:g} °C must lie below the highest {highest:g} °C. For example −20 and 60."
        for name, label in (
            ("lowest_temperature_c", "Lowest temperature"),
            ("lowest_charging_temperature_c", "Lowest temperature while charged"),
        )
        if highest is not None and name in stored and stored[name] >= highest
    }


def _opening_order(stored: dict[str, float]) -> dict[str, str]:
    """A fuse opens sooner at a higher current."""
    times = [(name, stored[name]) for name, _ in FUSE_POINTS if name in stored]
    return {
        name: f"At more current it opens sooner: {time_s:g} s is not below {slower_s:g} s. For example 5, 0.5 and 0.15."
        for (_, slower_s), (name, time_s) in itertools.pairwise(times)
        if time_s >= slower_s
    }
