"""One outing: when, with what, in what conditions, and what was timed."""

from __future__ import annotations

import itertools
import math
import uuid
from datetime import timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models, transaction
from django.db.models import F, Q
from django.db.models.functions import Cast, Coalesce
from django.urls import reverse
from django.utils import timezone

from buildlog.machines.models import Revision
from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord
from sessions.outings.models.places import Gate, Venue

ORDER_OF_TAPS = Coalesce(
    Cast("sequence", models.FloatField()), F("time_into_session_s") * 1000.0, output_field=models.FloatField()
)
"""The order of a session's readings: that of taps, which a clock that jumps cannot change. The field page sends as
`sequence` the milliseconds into the session, always more than at the tap before; without one, the time counts."""


def sequence_field() -> models.PositiveIntegerField[Any, Any]:
    """The place of a record in the order of taps; nobody types it."""
    return models.PositiveIntegerField(
        "place in the order of taps",
        null=True,
        blank=True,
        default=None,
        validators=[MaxValueValidator(2**31 - 1)],
        help_text="A later tap has a larger one, for example the milliseconds since the session began.",
    )


class Session(MadeRecord):
    """One outing of one revision in one set of conditions."""

    STILL_GOING = timedelta(hours=24)
    """A session without an end is assumed to last a day."""

    class Surface(models.TextChoices):
        CLEAR_ICE = "clear_ice", "Clear ice"
        WHITE_ICE = "white_ice", "White ice"
        SNOW_ON_ICE = "snow_on_ice", "Snow on ice"
        PACKED_SNOW = "packed_snow", "Packed snow"
        LOOSE_SNOW = "loose_snow", "Loose snow"
        SLUSH = "slush", "Slush"
        ASPHALT = "asphalt", "Asphalt"
        OTHER = "other", "Other"

    class DistanceMethod(models.TextChoices):
        WHEEL = "wheel", "Wheel counter"
        SATELLITE = "satellite", "Satellite track"
        LAPS = "laps", "Laps of a known length"
        ESTIMATE = "estimate", "Estimate"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="sessions")
    venue = models.ForeignKey(Venue, on_delete=models.PROTECT, related_name="sessions")
    started_at = models.DateTimeField("start", default=timezone.now)
    ended_at = models.DateTimeField("end", null=True, blank=True)
    rider_mass_kg = QuantityField(
        "rider, dressed",
        kind="mass",
        null=True,
        blank=True,
        includes_low=False,
        high=500,
        group="Conditions",
        phone="start",
        short_label="Rider",
    )
    payload_kg = QuantityField(
        "payload", kind="mass", null=True, blank=True, high=2000, group="Conditions", phone="start"
    )
    surface = models.CharField(max_length=12, choices=Surface.choices, blank=True)
    ice_thickness_cm = QuantityField(
        "ice thickness, measured",
        kind="thickness",
        null=True,
        blank=True,
        high=500,
        group="Conditions",
        phone="ice",
        short_label="Ice, measured",
    )
    air_temperature_c = QuantityField(
        "air temperature",
        kind="temperature",
        null=True,
        blank=True,
        low=-70,
        high=60,
        group="Conditions",
        phone="start",
        short_label="Air",
    )
    wind_speed_mps = QuantityField(
        "wind", kind="speed", null=True, blank=True, high=60, group="Conditions", phone="start", sample="4 m/s"
    )
    rest_voltage_start_v = QuantityField(
        "rest voltage before",
        kind="voltage",
        null=True,
        blank=True,
        includes_low=False,
        high=1500,
        group="Ride and battery",
        phone="start",
    )
    rest_voltage_end_v = QuantityField(
        "rest voltage after",
        kind="voltage",
        null=True,
        blank=True,
        includes_low=False,
        high=1500,
        group="Ride and battery",
        phone="end",
    )
    charge_used_ah = QuantityField(
        "charge used", kind="charge", null=True, blank=True, high=10000, group="Ride and battery", phone="end"
    )
    energy_used_wh = QuantityField(
        "energy used, metered",
        kind="energy",
        null=True,
        blank=True,
        high=1e6,
        group="Ride and battery",
        phone="end",
        short_label="Energy, metered",
    )
    recharge_energy_wh = QuantityField(
        "energy to recharge, at the wall",
        kind="energy",
        null=True,
        blank=True,
        high=1e6,
        group="Ride and battery",
        short_label="Recharge, at the wall",
    )
    runtime_s = QuantityField(
        "runtime",
        kind="runtime",
        null=True,
        blank=True,
        includes_low=False,
        high=1e6,
        group="Ride and battery",
        phone="end",
    )
    distance_m = QuantityField(
        "distance ridden",
        kind="trip",
        null=True,
        blank=True,
        includes_low=False,
        high=1e7,
        group="Ride and battery",
        phone="end",
        short_label="Ridden",
        how="distance_method",
    )
    distance_method = models.CharField(
        "how the distance is known", max_length=10, choices=DistanceMethod.choices, blank=True
    )
    notes = models.TextField(blank=True, max_length=5000)
    clock_correction_s = QuantityField(
        "added to the phone's clock",
        kind="runtime",
        null=True,
        blank=True,
        low=-1e10,
        high=1e10,
        in_rows=False,
        sample="-1 min",
    )

    class Meta:
        ordering = ["-started_at", "-id"]
        indexes = [
            models.Index(fields=["started_at", "id"], name="session_by_time"),
            models.Index(fields=["distance_m", "id"], name="session_by_distance"),
            models.Index(fields=["revision", "started_at", "id"], name="session_by_revision_and_time"),
            # What a revision's sessions add up to, and their highest voltages, are read from an index alone.
            models.Index(fields=["revision", "distance_m"], name="session_revision_distance"),
            models.Index(fields=["revision", "rest_voltage_start_v"], name="session_revision_volts_before"),
            models.Index(fields=["revision", "rest_voltage_end_v"], name="session_revision_volts_after"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(ended_at__gt=F("started_at")),
                name="session_ends_after_it_starts",
                violation_error_message="The end must be after the start.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.revision.label} at {self.venue.name}, {self.started_at:%Y-%m-%d %H:%M}"

    def get_absolute_url(self) -> str:
        return reverse("session", args=[self.pk])

    def clean(self) -> None:
        if self.ended_at is not None and self.started_at is not None and self.ended_at <= self.started_at:
            raise ValidationError(
                {
                    "ended_at": f"The end must be after the start ({self.started_at:%Y-%m-%d %H:%M}), "
                    "for example an hour later."
                }
            )


STANDING_START = "Standing start: timed from the first movement."
"""Why a pass from rest does not count. Phones of earlier versions say so by this sentence alone."""


class Pass(MadeRecord):
    """One timed run through a gate.

    A standing start is timed from rest on the first mark. Its mean speed is none of a flying pass, so it never counts.
    """

    class Direction(models.TextChoices):
        OUT = "out", "Out"
        BACK = "back", "Back"

    class Method(models.TextChoices):
        STOPWATCH = "stopwatch", "Stopwatch"
        VIDEO = "video", "Video frames"
        LIGHT_GATE = "light_gate", "Light gate"
        SATELLITE = "satellite", "Satellite"
        TWO_PHONES = "two_phones", "Two phones"

    class Start(models.TextChoices):
        STANDING = "standing", "Standing: from rest on the first mark"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    session = models.ForeignKey(Session, on_delete=models.CASCADE, related_name="passes")
    gate = models.ForeignKey(Gate, on_delete=models.PROTECT, related_name="passes")
    number = models.PositiveIntegerField(blank=True, validators=[MinValueValidator(1)])
    time_into_session_s = QuantityField(
        "time into the session", kind="runtime", null=True, blank=True, high=1e6, short_label="Into the session"
    )
    direction = models.CharField(max_length=4, choices=Direction.choices, default=Direction.OUT)
    start = models.CharField("start", max_length=8, choices=Start.choices, blank=True)
    method = models.CharField("timed by", max_length=10, choices=Method.choices, default=Method.STOPWATCH)
    duration_s = QuantityField(
        "time, first to last mark", kind="duration", includes_low=False, high=86400, in_rows=False
    )
    split_times_s = models.JSONField("times at the marks between", default=list, blank=True)
    frames_per_s = QuantityField(
        "frame rate the clip was taken at",
        kind="frame rate",
        null=True,
        blank=True,
        includes_low=False,
        high=9999,
        short_label="Frame rate",
    )
    u_duration_s = QuantityField(
        "standard uncertainty of the time, if you know it",
        kind="duration",
        null=True,
        blank=True,
        high=3600,
        short_label="Standard uncertainty",
        sample="0.15 s",
    )
    valid = models.BooleanField("counts", default=True)
    invalid_reason = models.CharField("why it does not count", max_length=200, blank=True)
    sequence = sequence_field()

    class Meta:
        # By the session's key: by the session itself, its whole table would be joined and sorted by time. Passes
        # without a place in the order of taps were typed later, at the desk.
        ordering = ["session_id", F("sequence").asc(nulls_last=True), "number"]
        verbose_name_plural = "passes"
        indexes = [models.Index(fields=["session", "number"], name="pass_by_session_and_number")]
        constraints = [
            models.CheckConstraint(
                condition=Q(valid=True) | ~Q(invalid_reason=""),
                name="pass_that_does_not_count_says_why",
                violation_error_message="Say why this pass does not count, for example: braked before the mark.",
            ),
            models.CheckConstraint(
                condition=Q(start="") | Q(valid=False),
                name="pass_from_rest_counts_for_no_speed",
                violation_error_message="A standing start counts for no speed. If it was a flying one, say so first.",
            ),
            models.CheckConstraint(
                condition=~Q(method="video") | Q(frames_per_s__isnull=False),
                name="pass_by_video_has_a_frame_rate",
                violation_error_message="A pass timed on video needs its frame rate, for example 30 or 29.97.",
            ),
        ]

    def __str__(self) -> str:
        return f"Pass {self.number}, {self.duration_s:.2f} s"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """A pass without a number gets the next one of its session: two phones may time one outing."""
        if self.number is not None:
            super().save(*args, **kwargs)
            return
        with transaction.atomic():
            # Other writers that number a pass of this session wait here until this pass is stored.
            Session.objects.select_for_update(no_key=True).filter(pk=self.session_id).values_list("pk").first()
            last = type(self).objects.filter(session=self.session_id).aggregate(models.Max("number"))["number__max"]
            self.number = (last or 0) + 1
            super().save(*args, **kwargs)

    def get_absolute_url(self) -> str:
        return self.session.get_absolute_url()

    def clean(self) -> None:
        self._clean_splits()
        if not self.valid and self.invalid_reason == STANDING_START:
            self.start = self.Start.STANDING
        if self.start:
            self.valid, self.invalid_reason = False, self.invalid_reason or STANDING_START

    def _clean_splits(self) -> None:
        times: Any = self.split_times_s
        if times in (None, ""):
            self.split_times_s = []
            return
        good = isinstance(times, list) and all(
            isinstance(time, (int, float)) and not isinstance(time, bool) and math.isfinite(time) for time in times
        )
        if not good:
            raise ValidationError({"split_times_s": "Split times are a list of seconds, for example [2.44, 4.89]."})
        ends = [0.0, *times, self.duration_s] if self.duration_s else [0.0, *times]
        if any(later <= earlier for earlier, later in itertools.pairwise(ends)):
            raise ValidationError(
                {"split_times_s": "Split times must grow from mark to mark and stay below the whole time."}
            )
