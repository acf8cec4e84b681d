"""Vehicles, their revisions, and the parts fitted to them."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from typing import Any

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.urls import reverse

from buildlog.machines.contacts import LAYOUT_FIELDS, contacts_of, of_layout, read_contacts
from buildlog.machines.contacts import Contact as Contact
from buildlog.machines.specifications import CATEGORY_CHOICES, read_specification
from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord


class Vehicle(MadeRecord):
    """One machine through all its life."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    name = models.CharField(max_length=80, unique=True)
    purpose = models.TextField(blank=True, max_length=2000)
    invented = models.BooleanField(default=False, editable=False, help_text="Part of the demo, not a real machine.")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("vehicle", args=[self.pk])


class Revision(MadeRecord):
    """The state of a vehicle between two changes."""

    class Status(models.TextChoices):
        PLANNED = "planned", "Planned"
        IN_BUILD = "in_build", "In build"
        RIDING = "riding", "Riding"
        RETIRED = "retired", "Retired"

    class Contacts(models.TextChoices):
        ONE_FRONT_TWO_REAR = "one_front_two_rear", "Three: one front, two rear"
        TWO_FRONT_ONE_REAR = "two_front_one_rear", "Three: two front, one rear"
        FOUR = "four", "Four: two front, two rear"
        TWO = "two", "Two: one behind the other"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    vehicle = models.ForeignKey(Vehicle, on_delete=models.CASCADE, related_name="revisions")
    number = models.PositiveIntegerField(validators=[MinValueValidator(1), MaxValueValidator(9999)])
    # RESTRICT, not PROTECT: a parent cannot be removed before its children, but may be removed with them.
    parent = models.ForeignKey("self", on_delete=models.RESTRICT, null=True, blank=True, related_name="children")
    date = models.DateField("date of this state")
    status = models.CharField(max_length=10, choices=Status.choices, default=Status.PLANNED)
    purpose = models.TextField("what it is for", blank=True, max_length=2000)
    contacts = models.CharField("ground contacts", max_length=20, choices=Contacts.choices, blank=True)
    track_width_m = QuantityField(
        "track width", kind="length", null=True, blank=True, includes_low=False, high=10, group="Geometry and mass"
    )
    wheelbase_m = QuantityField(
        "wheelbase", kind="length", null=True, blank=True, includes_low=False, high=20, group="Geometry and mass"
    )
    rolling_circumference_m = QuantityField(
        "rolling circumference of the driven wheel",
        kind="length",
        null=True,
        blank=True,
        includes_low=False,
        high=20,
        group="Geometry and mass",
        short_label="Rolling circumference",
    )
    drive_ratio = QuantityField(
        "drive ratio (motor turns per wheel turn)",
        kind="ratio",
        null=True,
        blank=True,
        includes_low=False,
        high=200,
        group="Geometry and mass",
        short_label="Drive ratio",
    )
    mass_without_rider_kg = QuantityField(
        "mass without rider",
        kind="mass",
        null=True,
        blank=True,
        includes_low=False,
        high=5000,
        group="Geometry and mass",
        in_rows=False,
    )
    cg_height_m = QuantityField(
        "height of the centre of gravity, measured, without rider",
        kind="length",
        null=True,
        blank=True,
        includes_low=False,
        high=5,
        group="Geometry and mass",
        short_label="Centre of gravity, measured",
        sample="0.4 m",
    )
    seat_x_m = QuantityField(
        "seat, forward of the rear contact",
        kind="length",
        null=True,
        blank=True,
        low=-20,
        high=20,
        group="Where the rider sits",
        in_rows=False,
        sample="0.6 m",
    )
    seat_z_m = QuantityField(
        "seat, height above ground",
        kind="length",
        null=True,
        blank=True,
        low=0,
        high=5,
        group="Where the rider sits",
        in_rows=False,
        sample="0.5 m",
    )
    rider_mass_kg = QuantityField(
        "rider with clothes and gear, while none has ridden it",
        kind="mass",
        null=True,
        blank=True,
        includes_low=False,
        high=500,
        group="Where the rider sits",
    )
    contact_points = models.JSONField("ground contacts as points", default=list, blank=True)

    class Meta:
        ordering = ["vehicle_id", "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "number"],
                name="revision_number_is_used_once",
                violation_error_message="This vehicle already has a revision with that number.",
            ),
            models.CheckConstraint(condition=Q(number__gte=1), name="revision_number_starts_at_one"),
            models.CheckConstraint(
                condition=Q(parent__isnull=True) | ~Q(parent=F("id")), name="revision_is_not_its_own_parent"
            ),
            models.CheckConstraint(
                condition=Q(status__in=["planned", "in_build", "riding", "retired"]), name="revision_status_is_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.vehicle.name} R{self.number}"

    def get_absolute_url(self) -> str:
        return reverse("revision", args=[self.pk])

    @property
    def label(self) -> str:
        return f"R{self.number}"

    @property
    def ground_contacts(self) -> list[Contact]:
        """Where it stands: its own points, or those of its layout."""
        return contacts_of(self)

    @classmethod
    def from_db(cls, db: str | None, field_names: Collection[str], values: Collection[Any]) -> Revision:
        revision = super().from_db(db, field_names, values)
        if set(LAYOUT_FIELDS) <= set(field_names):
            revision._layout_as_read = tuple(revision.__dict__[name] for name in LAYOUT_FIELDS)
        return revision

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Points that only repeat the layout follow when that is changed; points of their own stay as they are."""
        layout = tuple(getattr(self, name) for name in LAYOUT_FIELDS)
        before = getattr(self, "_layout_as_read", layout)
        if layout != before and self.contact_points == [point.as_stored() for point in of_layout(*before)]:
            self.contact_points = [point.as_stored() for point in of_layout(*layout)]
            if kwargs.get("update_fields") is not None:
                kwargs["update_fields"] = {*kwargs["update_fields"], "contact_points"}
        super().save(*args, **kwargs)
        self._layout_as_read = layout

    def clean(self) -> None:
        try:
            self.contact_points = read_contacts(self.contact_points)
        except ValidationError as error:
            raise ValidationError({"contact_points": error.messages}) from None
        if self.parent is not None and self.vehicle_id and self.parent.vehicle_id != self.vehicle_id:
            raise ValidationError({"parent": "The parent must be a revision of the same vehicle."})
        if self.parent is not None and self.number and self.parent.number >= self.number:
            raise ValidationError({"parent": f"The parent must come before R{self.number}; it is {self.parent.label}."})


class Part(MadeRecord):
    """A kind of thing with a specification, which can be fitted to any revision. Pieces of it may be known one by one.

    counts_cycles: what one cycle of it is; empty where its cycles do not matter.
    """

    class Cycles(models.TextChoices):
        OUTINGS = "outings", "Each outing is one"
        FULL_CHARGES = "full_charges", "Charge used, in full charges of the pack"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    name = models.CharField(max_length=120)
    category = models.CharField(max_length=20, choices=CATEGORY_CHOICES)
    mass_kg = QuantityField("mass of one", kind="mass", null=True, blank=True, high=5000, sample="4.2 kg")
    specification = models.JSONField(default=dict, blank=True)
    counts_cycles = models.CharField("its cycles", max_length=12, choices=Cycles.choices, blank=True)
    notes = models.TextField(blank=True, max_length=2000)
    invented = models.BooleanField(default=False, editable=False)

    class Meta:
        ordering = ["category", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["category", "name"],
                name="part_name_is_used_once_per_category",
                violation_error_message="There is already a part of this category with that name.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("part", args=[self.pk])

    def clean(self) -> None:
        try:
            self.specification = read_specification(self.category, self.specification)
        except ValidationError as error:
            raise ValidationError({"specification": error.messages}) from None
        if self.counts_cycles == self.Cycles.FULL_CHARGES and self.category != "battery_module":
            raise ValidationError({"counts_cycles": "Only battery modules are charged; count outings."})


class Fitting(MadeRecord):
    """A part at its place on a revision."""

    class Branch(models.TextChoices):
        MAIN = "main", "Between pack and controller"
        STRING = "string", "In one string of modules"
        CHARGING = "charging", "Between charger and pack"
        PHASE = "phase", "Between controller and motor"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="fittings")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="fittings")
    quantity = models.PositiveIntegerField(default=1, validators=[MinValueValidator(1), MaxValueValidator(1000)])
    x_m = QuantityField(
        "forward of the rear contact",
        kind="length",
        null=True,
        blank=True,
        low=-20,
        high=20,
        group="Place",
        short_label="Forward",
        sample="0.7 m",
    )
    z_m = QuantityField(
        "height above ground",
        kind="length",
        null=True,
        blank=True,
        low=-1,
        high=10,
        group="Place",
        short_label="Height",
        sample="0.3 m",
    )
    y_m = QuantityField(
        "left of the middle line",
        kind="length",
        null=True,
        blank=True,
        low=-10,
        high=10,
        group="Place",
        short_label="Left",
        sample="-0.2 m",
    )
    branch = models.CharField("where in the wiring", max_length=8, choices=Branch.choices, blank=True)
    string = models.PositiveIntegerField(
        "number of its string", null=True, blank=True, validators=[MinValueValidator(1), MaxValueValidator(99)]
    )
    series = models.PositiveIntegerField(null=True, blank=True, validators=[MinValueValidator(1)])
    parallel = models.PositiveIntegerField(null=True, blank=True, validators=[MinValueValidator(1)])

    class Meta:
        ordering = ["revision_id", "part_id"]
        constraints = [
            models.CheckConstraint(condition=Q(quantity__gte=1), name="fitting_has_at_least_one"),
            models.CheckConstraint(
                condition=Q(series__isnull=True, parallel__isnull=True)
                | Q(series__isnull=False, parallel__isnull=False, quantity=F("series") * F("parallel")),
                name="fitting_quantity_is_series_times_parallel",
                violation_error_message="The quantity must be series × parallel, for example 4 = 2 in series × 2.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} × {self.part.name}"

    def clean(self) -> None:
        wired = self.series is not None or self.parallel is not None or self.string is not None
        if not self.part_id:
            return
        if self.part.category != "battery_module":
            if wired:
                raise ValidationError({"series": "Only battery modules are wired in series and parallel."})
            return
        series, parallel = self.series or 1, self.parallel or 1
        if self.series is None and self.parallel is None:
            self.series, self.parallel = 1, self.quantity
        elif series * parallel != self.quantity:
            raise ValidationError(
                {
                    "quantity": f"{self.quantity} modules cannot be {series} in series × {parallel} in parallel "
                    f"({series * parallel}). Change one of the three."
                }
            )

    def carried_to(self, revision: Revision) -> Fitting:
        """An unsaved copy for another revision."""
        copied: dict[str, Any] = {
            name: getattr(self, name)
            for name in ("quantity", "x_m", "y_m", "z_m", "branch", "string", "series", "parallel")
        }
        return Fitting(revision=revision, part_id=self.part_id, **copied)
