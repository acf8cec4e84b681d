"""Pieces of a part that are known one by one, and on which machines they were fitted from when to when."""

from __future__ import annotations

import uuid
from datetime import date

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q
from django.urls import reverse

from buildlog.machines.models import Fitting, Part, Revision
from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord


class Individual(MadeRecord):
    """One piece of a part, with a serial number or a mark by which it is told from others of its kind."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="individuals", verbose_name="kind")
    serial = models.CharField("serial number or mark", max_length=80)
    distance_before_m = QuantityField(
        "ridden before it came here", kind="trip", default=0.0, high=1e8, group="Before it came here", sample="320 km"
    )
    runtime_before_s = QuantityField(
        "time ridden before it came here",
        kind="runtime",
        default=0.0,
        high=1e9,
        group="Before it came here",
        sample="8 h",
    )
    cycles_before = models.PositiveIntegerField("cycles before it came here", default=0)
    scrapped_on = models.DateField("out of use since", null=True, blank=True)
    notes = models.TextField(blank=True, max_length=2000)

    class Meta:
        ordering = ["part_id", "serial"]
        verbose_name = "piece"
        constraints = [
            models.UniqueConstraint(
                fields=["part", "serial"],
                name="serial_is_used_once_per_part",
                violation_error_message="There is already a piece of this part with that serial number or mark.",
            ),
            models.CheckConstraint(
                condition=~Q(serial=""),
                name="individual_has_a_serial",
                violation_error_message="Give its serial number, or a mark put on it, for example: left, red dot.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part.name}, {self.serial}"

    def get_absolute_url(self) -> str:
        return reverse("individual", args=[self.pk])

    def clean(self) -> None:
        self.serial = " ".join(self.serial.split())


class IndividualFitting(MadeRecord):
    """A piece at its place on a revision, from a day on (its revision's, where none is given) to a day, or until now.

    The rides of that revision in this time are the piece's, the first and the last day included.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    individual = models.ForeignKey(Individual, on_delete=models.CASCADE, related_name="places", verbose_name="piece")
    fitting = models.ForeignKey(Fitting, on_delete=models.CASCADE, related_name="pieces", verbose_name="where")
    fitted_on = models.DateField("fitted on", null=True, blank=True)
    removed_on = models.DateField("removed on", null=True, blank=True)

    class Meta:
        ordering = ["individual_id", "fitted_on", "pk"]
        verbose_name = "place of a piece"
        verbose_name_plural = "places of pieces"
        constraints = [
            models.CheckConstraint(
                condition=Q(fitted_on__isnull=True) | Q(removed_on__isnull=True) | Q(removed_on__gte=F("fitted_on")),
                name="piece_is_removed_after_it_is_fitted",
                violation_error_message="It was removed before it was fitted. Change one of the two dates.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.individual} on {self.fitting.revision}"

    def get_absolute_url(self) -> str:
        return reverse("individual", args=[self.individual_id])

    @property
    def revision(self) -> Revision:
        return self.fitting.revision

    def holds(self, day: date) -> bool:
        """Whether the piece was there on a day on which its revision was ridden."""
        return (self.fitted_on is None or self.fitted_on <= day) and (self.removed_on is None or day <= self.removed_on)

    @property
    def from_day(self) -> date:
        return self.fitted_on or self.fitting.revision.date

    def overlaps(self, other: IndividualFitting) -> bool:
        """Whether the two share a day."""
        ends = (self.removed_on or date.max, other.removed_on or date.max)
        return max(self.from_day, other.from_day) <= min(ends)

    def clean(self) -> None:
        if self.individual_id is None or self.fitting_id is None:
            return
        if self.individual.part_id != self.fitting.part_id:
            words = f"That is the place of a {self.fitting.part.name}; the piece is a {self.individual.part.name}."
            raise ValidationError({"fitting": words})
        if self.removed_on is not None and self.removed_on < self.from_day:
            raise ValidationError({"removed_on": f"It was fitted on {self.from_day:%Y-%m-%d}, which is later."})
        if clash := self.clash():
            where, since = clash.fitting.revision, f"{clash.from_day:%Y-%m-%d}"
            until = f" to {clash.removed_on:%Y-%m-%d}" if clash.removed_on else " on"
            raise ValidationError(
                {"fitted_on": f"It is on {where} from {since}{until}. One piece cannot be on two machines on one day."}
            )
        held = [place for place in self._others(fitting=self.fitting_id) if self.overlaps(place)]
        if len(held) >= self.fitting.quantity:
            count = "One piece is" if len(held) == 1 else f"{len(held)} pieces are"
            raise ValidationError({"fitting": f"{count} there already, and {self.fitting.quantity} may be."})

    def clash(self) -> IndividualFitting | None:
        """Where the same piece is on another machine that is ridden, on a day on which it would be on this one."""
        if self.fitting.revision.status != Revision.Status.RIDING:
            return None
        elsewhere = self._others(individual=self.individual_id, fitting__revision__status=Revision.Status.RIDING)
        elsewhere = elsewhere.exclude(fitting__revision__vehicle=self.fitting.revision.vehicle_id)
        return next((place for place in elsewhere if self.overlaps(place)), None)

    def _others(self, **wanted: object) -> models.QuerySet[IndividualFitting]:
        places = IndividualFitting.objects.filter(**wanted).exclude(pk=self.pk)
        return places.select_related("fitting__revision__vehicle")

    def carried_to(self, fitting: Fitting, day: date) -> IndividualFitting:
        """An unsaved copy for the same place on the next revision."""
        return IndividualFitting(individual_id=self.individual_id, fitting=fitting, fitted_on=day)
