"""What is done of a machine's upkeep, how often, and when it was done."""

from __future__ import annotations

import uuid

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from buildlog.machines.individuals import Individual
from buildlog.machines.models import Part, Vehicle
from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord
from calc.upkeep import Interval

MOST_CYCLES, MOST_DAYS = 1_000_000, 36_500


class UpkeepItem(MadeRecord):
    """Something to do or to check again and again: on a machine, where a part may be named, or on one piece.

    A torque mark is a bolt or a nut with its torque. Without an interval of its own it is checked once on each
    revision, before that is ridden.
    """

    class Kind(models.TextChoices):
        INTERVAL = "interval", "To be done at intervals"
        TORQUE = "torque", "Torque mark"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    vehicle = models.ForeignKey(
        Vehicle, on_delete=models.CASCADE, null=True, blank=True, related_name="upkeep_items", verbose_name="machine"
    )
    individual = models.ForeignKey(
        Individual, on_delete=models.CASCADE, null=True, blank=True, related_name="upkeep_items", verbose_name="piece"
    )
    part = models.ForeignKey(
        Part, on_delete=models.PROTECT, null=True, blank=True, related_name="upkeep_items", verbose_name="part"
    )
    kind = models.CharField(max_length=8, choices=Kind.choices)
    title = models.CharField("what is done", max_length=120)
    torque_nm = QuantityField("torque", kind="torque", null=True, blank=True, includes_low=False, high=5000)
    every_m = QuantityField(
        "every so far",
        kind="trip",
        null=True,
        blank=True,
        includes_low=False,
        high=1e8,
        group="How often",
        sample="50 km",
    )
    every_s = QuantityField(
        "every so long ridden",
        kind="runtime",
        null=True,
        blank=True,
        includes_low=False,
        high=1e9,
        group="How often",
        sample="10 h",
    )
    every_cycles = models.PositiveIntegerField(
        "every so many cycles",
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(MOST_CYCLES)],
    )
    every_days = models.PositiveIntegerField(
        "every so many days", null=True, blank=True, validators=[MinValueValidator(1), MaxValueValidator(MOST_DAYS)]
    )
    notes = models.TextField(blank=True, max_length=2000)

    class Meta:
        ordering = ["vehicle_id", "individual_id", "kind", "title", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(vehicle__isnull=False, individual__isnull=True)
                | Q(vehicle__isnull=True, individual__isnull=False, part__isnull=True),
                name="upkeep_is_of_a_machine_or_a_piece",
                violation_error_message="Upkeep belongs to a machine, where it may name a part, or to one piece.",
            ),
            models.CheckConstraint(
                condition=Q(kind="torque", torque_nm__isnull=False) | Q(kind="interval", torque_nm__isnull=True),
                name="torque_mark_has_a_torque",
                violation_error_message="A torque mark has its torque, for example 45 Nm; nothing else has one.",
            ),
            models.CheckConstraint(
                condition=~Q(kind="interval")
                | Q(every_m__isnull=False)
                | Q(every_s__isnull=False)
                | Q(every_cycles__isnull=False)
                | Q(every_days__isnull=False),
                name="upkeep_has_an_interval",
                violation_error_message="Say how often, for example every 50 km or every 30 days.",
            ),
            models.CheckConstraint(
                condition=(Q(every_cycles__isnull=True) | Q(every_cycles__range=(1, MOST_CYCLES)))
                & (Q(every_days__isnull=True) | Q(every_days__range=(1, MOST_DAYS))),
                name="upkeep_intervals_are_possible",
            ),
        ]

    def __str__(self) -> str:
        return self.title

    def get_absolute_url(self) -> str:
        if self.individual_id is not None:
            return reverse("individual", args=[self.individual_id])
        return reverse("vehicle_upkeep", args=[self.vehicle_id])

    @property
    def interval(self) -> Interval:
        return Interval(self.every_m, self.every_s, self.every_cycles, self.every_days)

    @property
    def has_interval(self) -> bool:
        return self.interval != Interval()

    def clean(self) -> None:
        if self.every_cycles is not None:
            part = self.individual.part if self.individual is not None else self.part
            if part is None or not part.counts_cycles:
                words = "Only a part whose cycles are counted has them; choose what counts on the part's own form."
                raise ValidationError({"every_cycles": words})


def today() -> object:
    return timezone.localdate()


class UpkeepCheck(MadeRecord):
    """That it was done: when, by whom, and what was seen."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    item = models.ForeignKey(UpkeepItem, on_delete=models.CASCADE, related_name="checks", verbose_name="what was done")
    done_on = models.DateField("when", default=today)
    done_by = models.CharField("who did it", max_length=80)
    torque_nm = QuantityField("torque that was found", kind="torque", null=True, blank=True, high=5000)
    finding = models.TextField("what was seen", blank=True, max_length=2000)

    class Meta:
        ordering = ["item_id", "-done_on", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(done_by=""), name="upkeep_check_says_who", violation_error_message="Say who did it."
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item}, {self.done_on:%Y-%m-%d}"

    def get_absolute_url(self) -> str:
        return self.item.get_absolute_url()

    def clean(self) -> None:
        if self.done_on is not None and self.done_on > timezone.localdate():
            raise ValidationError({"done_on": "That day is still to come."})
