"""Values that a machine's logs do not hold, and that follow from those that they do."""

from __future__ import annotations

import uuid

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.urls import reverse

from buildlog.machines.models import Vehicle
from buildlog.records.models import MadeRecord
from calc.formulas import LONGEST, NotAFormula, unit_of
from sessions.logs.formula_variables import read, result_in

MOST_OF_A_MACHINE = 12
"""So many panels still fit on one page."""


class FormulaChannel(MadeRecord):
    """A line of the charts that is worked out from others, such as power = voltage * current. It is stored as its
    formula: a log that comes later has it too."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    vehicle = models.ForeignKey(Vehicle, on_delete=models.CASCADE, related_name="formula_channels")
    name = models.CharField("name", max_length=60)
    formula = models.CharField("formula", max_length=LONGEST)
    unit = models.CharField("unit", max_length=20, blank=True)
    notes = models.TextField(blank=True, max_length=1000)

    class Meta:
        verbose_name = "formula"
        verbose_name_plural = "formulas"
        ordering = ["vehicle_id", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "name"],
                name="formula_channel_has_a_name_of_its_own",
                violation_error_message="This machine has a formula of that name already.",
            ),
            models.CheckConstraint(
                condition=~Q(name="") & ~Q(formula=""),
                name="formula_channel_has_name_and_formula",
                violation_error_message="A formula has a name and what it is worked out by.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("vehicle_instruments", args=[self.vehicle_id])

    def clean(self) -> None:
        try:
            formula = read(self.formula)
        except NotAFormula as error:
            raise ValidationError({"formula": str(error)}) from None
        try:
            unit_of(self.unit)
            # A file's own columns have units that are not known yet.
            if not formula.quoted:
                result_in(formula, self.unit)
        except NotAFormula as error:
            raise ValidationError({"unit": str(error)}) from None
        self.formula = formula.text
        others = FormulaChannel.objects.filter(vehicle_id=self.vehicle_id).exclude(pk=self.pk)
        if self._state.adding and others.count() >= MOST_OF_A_MACHINE:
            raise ValidationError(f"A machine has at most {MOST_OF_A_MACHINE} formulas. Remove one that is not used.")
