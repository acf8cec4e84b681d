"""Forms of where a machine stands: its ground contacts, a weighing of them, and a tilt test."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from buildlog.machines.balance_tests import HEAVIEST_KG, BalanceTest
from buildlog.machines.contacts import KINDS, MOST, REACH_M, STIFFEST_N_PER_M, Contact, contact_name, read_contacts
from buildlog.machines.models import Revision
from buildlog.quantities.fields import QuantityFormField
from buildlog.records.forms import RecordForm
from buildlog.records.moments import day_input

SPARE_ROWS = 2
FURTHER = "A further contact"
DUTIES = [("steered", "Steered"), ("driven", "Driven"), ("braked", "Braked")]


class ContactsForm(RecordForm[Revision]):
    """The points on which a revision stands, a row for each and two to add; a row without places is no contact."""

    can_be_recreated = False

    class Meta:
        model = Revision
        fields: list[str] = []

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.shown = self.instance.ground_contacts
        groups = []
        for row in range(min(MOST, len(self.shown) + SPARE_ROWS)):
            contact = self.shown[row] if row < len(self.shown) else None
            names = {
                f"x_m-{row}": self._length("Forward of the rear contact", contact.x_m if contact else None),
                f"y_m-{row}": self._length("Left of the middle line", contact.y_m if contact else None),
                f"kind-{row}": forms.ChoiceField(
                    choices=[("", "Not known"), *KINDS],
                    required=False,
                    label="Kind",
                    initial=contact.kind if contact else "",
                ),
                f"duties-{row}": forms.MultipleChoiceField(
                    choices=DUTIES,
                    required=False,
                    label="It is",
                    widget=forms.CheckboxSelectMultiple,
                    initial=contact.duties if contact else [],
                ),
                f"stiffness-{row}": QuantityFormField(
                    kind="stiffness",
                    low=1.0,
                    high=STIFFEST_N_PER_M,
                    includes_low=True,
                    required=False,
                    label="Stiffness",
                    initial=contact.stiffness_n_per_m if contact else None,
                ),
            }
            self.fields.update(names)
            title = contact_name(contact, self.shown) if contact else FURTHER
            groups.append((title, tuple(names)))
        self.groups = tuple(groups)
        self.folded = FURTHER if self.shown else ""
        self.prepare_fields()

    def _length(self, label: str, initial: float | None) -> QuantityFormField:
        return QuantityFormField(
            kind="length",
            low=-REACH_M,
            high=REACH_M,
            includes_low=True,
            label=label,
            required=False,
            initial=initial,
        )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if self.errors:
            return cleaned
        points = []
        for row in range(len(self.groups)):
            stored = self.shown[row] if row < len(self.shown) else None
            x_m, y_m = (self._place(name, row, stored) for name in ("x_m", "y_m"))
            if x_m is None and y_m is None:
                continue
            if x_m is None or y_m is None:
                missing = "x_m" if x_m is None else "y_m"
                self.add_error(f"{missing}-{row}", "Give both places of a contact, for example 1.8 m and 0 m.")
                continue
            duties = cleaned.get(f"duties-{row}") or []
            point = {"x_m": x_m, "y_m": y_m, "kind": cleaned.get(f"kind-{row}") or ""}
            point |= {name: name in duties for name, _ in DUTIES}
            stiffness = cleaned.get(f"stiffness-{row}")
            if stiffness is not None:
                point["stiffness_n_per_m"] = stiffness
            points.append(point)
        if not self.errors:
            try:
                self.instance.contact_points = read_contacts(points)
            except ValidationError as error:
                self.add_error(None, error)
        return cleaned

    def _place(self, name: str, row: int, stored: Contact | None) -> float | None:
        """As typed; where it was not changed, as stored, because the form shows fewer digits."""
        if stored is not None and not self.writes(f"{name}-{row}"):
            return float(getattr(stored, name))
        value: float | None = self.cleaned_data.get(f"{name}-{row}")
        return value


class WeighingForm(RecordForm[BalanceTest]):
    """The load of each contact, as scales under them show it."""

    belongs_to = ("revision", "kind")

    class Meta:
        model = BalanceTest
        fields = ["done_on", "load_kg", "notes"]
        widgets = {"done_on": day_input()}
        help_texts = {
            "load_kg": "What sat on the seat while it was weighed; 0 without a rider. Level ground, all scales on.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        contacts = self.instance.revision.ground_contacts
        rows = self.instance.loads or [{"x_m": contact.x_m, "y_m": contact.y_m} for contact in contacts]
        self.places = [(row["x_m"], row["y_m"]) for row in rows]
        points = [Contact(*place) for place in self.places]
        for row, (values, point) in enumerate(zip(rows, points, strict=True)):
            self.fields[f"mass_kg-{row}"] = QuantityFormField(
                kind="mass",
                low=0.0,
                high=HEAVIEST_KG,
                includes_low=True,
                label=f"On {contact_name(point, points).lower()}",
                initial=values.get("mass_kg"),
            )
        self.groups = (("Load of each contact", tuple(f"mass_kg-{row}" for row in range(len(rows)))),)
        self.prepare_fields()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if not self.places:
            self.add_error(None, "This revision has no ground contacts yet. Enter them first.")
        elif not self.errors:
            stored = [row["mass_kg"] for row in self.instance.loads]
            masses = [
                cleaned[f"mass_kg-{row}"] if self.writes(f"mass_kg-{row}") else stored[row]
                for row in range(len(self.places))
            ]
            self.instance.loads = [
                {"x_m": x_m, "y_m": y_m, "mass_kg": mass_kg}
                for (x_m, y_m), mass_kg in zip(self.places, masses, strict=True)
            ]
        return cleaned

    def _post_clean(self) -> None:
        # The model names the loads, for which this form has a field each.
        if not self.errors:
            try:
                super()._post_clean()
            except ValueError:
                self.add_error(None, "All contacts together weigh more than 0 kg.")


class TiltTestForm(RecordForm[BalanceTest]):
    belongs_to = ("revision", "kind")

    class Meta:
        model = BalanceTest
        fields = ["done_on", "side", "tilt_deg", "load_kg", "notes"]
        widgets = {"done_on": day_input()}
        help_texts = {
            "tilt_deg": "Of the ground, about the edge between the two contacts it balances on. Straps on both sides, "
            "nobody on it without a helmet and nobody below it.",
            "load_kg": "What sat on the seat meanwhile; 0 without a rider.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("side", "tilt_deg"):
            self.fields[name].required = True
