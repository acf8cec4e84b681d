"""Forms of pieces and their places, and of upkeep."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError

from buildlog.machines.individuals import Individual, IndividualFitting
from buildlog.machines.models import Fitting, Part
from buildlog.quantities.declared import quantity_names
from buildlog.records.forms import RecordForm
from buildlog.records.moments import day_input
from buildlog.upkeep.models import UpkeepCheck, UpkeepItem


class IndividualForm(RecordForm[Individual]):
    belongs_to = ("part",)
    groups = (("Before it came here", ("distance_before_m", "runtime_before_s", "cycles_before")),)

    class Meta:
        model = Individual
        fields = ["serial", *quantity_names(Individual), "cycles_before", "scrapped_on", "notes"]
        widgets = {"scrapped_on": day_input()}
        help_texts = {"serial": "As it stands on the piece, or a mark put on it, for example: left, red dot."}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("distance_before_m", "runtime_before_s", "cycles_before"):
            self.fields[name].required = False

    def clean_serial(self) -> str:
        serial = " ".join(self.cleaned_data["serial"].split())
        others = Individual.objects.filter(part=self.instance.part_id, serial=serial).exclude(pk=self.instance.pk)
        if others.exists():
            raise ValidationError(f"There is already a piece of this part called {serial}.")
        return serial

    def clean_distance_before_m(self) -> float:
        return self.cleaned_data["distance_before_m"] or 0.0

    def clean_runtime_before_s(self) -> float:
        return self.cleaned_data["runtime_before_s"] or 0.0

    def clean_cycles_before(self) -> int:
        return self.cleaned_data["cycles_before"] or 0


class IndividualFittingForm(RecordForm[IndividualFitting]):
    belongs_to = ("individual",)
    together = (("fitting", "fitted_on", "removed_on"),)

    class Meta:
        model = IndividualFitting
        fields = ["fitting", "fitted_on", "removed_on"]
        widgets = {"fitted_on": day_input(), "removed_on": day_input()}
        help_texts = {
            "fitted_on": "Empty: from the date of that revision on.",
            "removed_on": "The last day on which it was there. Empty while it still is.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        fittings = Fitting.objects.filter(part=self.instance.individual.part_id)
        self.offer(
            "fitting",
            fittings.select_related("revision__vehicle", "part").order_by(
                "revision__vehicle__name", "-revision__number", "pk"
            ),
            lambda fitting: f"{fitting.revision}: {fitting}",
        )


class UpkeepItemForm(RecordForm[UpkeepItem]):
    belongs_to = ("vehicle", "individual", "kind")
    groups = (("How often", ("every_m", "every_s", "every_cycles", "every_days")),)

    class Meta:
        model = UpkeepItem
        fields = ["title", "part", "torque_nm", "every_m", "every_s", "every_cycles", "every_days", "notes"]
        help_texts = {
            "part": "Only rides with this part fitted count, and it is due on revisions that have it.",
            "every_m": "Whichever is reached first, where several are given.",
            "every_cycles": "Of a part whose cycles are counted; its own form says what one is.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        is_torque = self.instance.kind == UpkeepItem.Kind.TORQUE
        if is_torque:
            self.fields["torque_nm"].required = True
            self.fields["title"].help_text = "Which bolt or nut, for example: axle nut, left."
            self.fields["every_m"].help_text = "Without any of these it is checked once on each revision."
        else:
            del self.fields["torque_nm"]
            self.fields["title"].help_text = "For example: lubricate the chain."
        if self.instance.individual_id is not None:
            del self.fields["part"]
        else:
            parts = Part.objects.filter(fittings__revision__vehicle=self.instance.vehicle_id).distinct()
            self.offer("part", parts)
            self.record_choice("part").empty_label = "The whole machine"

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        often = ("every_m", "every_s", "every_cycles", "every_days")
        is_given = any(cleaned.get(name) or name in self.errors for name in often)
        if self.instance.kind == UpkeepItem.Kind.INTERVAL and not is_given:
            self.add_error("every_m", "Say how often, for example every 50 km or every 30 days.")
        return cleaned


class UpkeepCheckForm(RecordForm[UpkeepCheck]):
    belongs_to = ("item",)

    class Meta:
        model = UpkeepCheck
        fields = ["done_on", "done_by", "torque_nm", "finding"]
        widgets = {"done_on": day_input()}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.item.kind != UpkeepItem.Kind.TORQUE:
            del self.fields["torque_nm"]
