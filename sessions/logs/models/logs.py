"""Recordings of instruments: stored byte for byte, and read into columns."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any

from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from buildlog.quantities.fields import QuantityField
from buildlog.records.models import MadeRecord
from buildlog.storage.stored_files import unique_file_name
from calc.session_facts import LogFacts
from sessions.logs.file_kinds import TABLES, TRACKS
from sessions.logs.models.instruments import Instrument
from sessions.outings.models import Session


def _original_path(log: Log, _name: str) -> str:
    # The uploaded name is only displayed: it must not choose where the file is stored.
    return unique_file_name("logs", log.pk, f".{log.kind}")


def _columns_path(log: Log, _name: str) -> str:
    return unique_file_name("logs", log.pk, ".columns.zip")


class Log(MadeRecord):
    """One recording of a session: the file as it came, its columns in one compact file, and their summary.

    A file waits while the meaning of its columns is not chosen, or where it could not be read.
    """

    class Kind(models.TextChoices):
        GPX = "gpx", "Satellite track (GPX)"
        FIT = "fit", "Satellite track (FIT)"
        TCX = "tcx", "Satellite track (TCX)"
        NMEA = "nmea", "Satellite receiver (NMEA 0183)"
        GEOJSON = "geojson", "Track (GeoJSON)"
        KML = "kml", "Track (KML)"
        CSV = "csv", "Logger (CSV)"
        SHEET = "sheet", "Spreadsheet (XLSX, XLS or ODS)"
        JSON_LINES = "jsonl", "Logger (JSON lines)"
        LONG = "long", "Logger (long table: time, name, value)"

    class State(models.TextChoices):
        WAITING = "waiting", "stored, not imported yet"
        READ = "read", "imported"

    class Clock(models.TextChoices):
        OWN = "own", "its own clock"
        SPEEDS = "speeds", "its speeds, which agree with another log's"
        HAND = "hand", "hand"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    session = models.ForeignKey(Session, on_delete=models.CASCADE, related_name="logs")
    kind = models.CharField(max_length=7, choices=Kind.choices, default=Kind.GPX)
    state = models.CharField(max_length=7, choices=State.choices, default=State.READ)
    problem = models.TextField("why it could not be read", blank=True)
    name = models.CharField("name of the file", max_length=120)
    sha256 = models.CharField("SHA-256 of the file", max_length=64)
    size_bytes = models.PositiveBigIntegerField()
    original = models.FileField(upload_to=_original_path)
    columns = models.FileField(upload_to=_columns_path, blank=True)
    layout = models.JSONField("how the file is written", default=dict, blank=True)
    mapping = models.JSONField("what its columns are taken for", default=dict, blank=True)
    instrument = models.ForeignKey(Instrument, on_delete=models.SET_NULL, null=True, blank=True, related_name="logs")
    first_at = models.DateTimeField(null=True, blank=True)
    clock = models.CharField("placed in the session by", max_length=6, choices=Clock.choices, default=Clock.OWN)
    begins_into_session_s = QuantityField(
        "begins, into the session", kind="runtime", null=True, blank=True, low=-1e6, high=1e6
    )
    row_count = models.PositiveIntegerField(default=0)
    length_m = QuantityField(
        "distance in the log", kind="trip", null=True, blank=True, high=1e8, short_label="Distance"
    )
    duration_s = QuantityField(
        "from the first to the last row", kind="runtime", null=True, blank=True, high=1e7, short_label="Duration"
    )
    summary = models.JSONField("lowest and highest of each column, and what they add up to", default=dict, blank=True)
    notes = models.JSONField(default=list, blank=True)
    stored_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["session_id", "first_at", "stored_at"]
        indexes = [models.Index(fields=["stored_at", "id"], name="log_by_time_stored")]
        constraints = [
            models.UniqueConstraint(
                fields=["session", "sha256"],
                name="log_is_stored_once_per_session",
                violation_error_message="This very file is stored with this session already.",
            ),
            models.CheckConstraint(
                condition=Q(state="waiting", row_count=0, columns="") | (Q(state="read", row_count__gt=0)),
                name="log_that_is_read_has_rows",
                violation_error_message="A log that is imported has rows; a log that waits has none.",
            ),
            models.CheckConstraint(
                condition=Q(clock="own", begins_into_session_s__isnull=True)
                | (~Q(clock="own") & Q(begins_into_session_s__isnull=False)),
                name="log_placed_by_other_than_its_clock_says_where",
                violation_error_message="A log that is not placed by its own clock needs the time at which it begins.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("log", args=[self.pk])

    @property
    def is_table(self) -> bool:
        """Whether a person says what its columns mean."""
        return self.kind in TABLES

    @property
    def is_track(self) -> bool:
        return self.kind in TRACKS

    @property
    def is_read(self) -> bool:
        return self.state == self.State.READ

    @property
    def begins_s(self) -> float:
        """Its first row on the session's own clock; a log whose clock has no date begins with the session."""
        if self.begins_into_session_s is not None:
            return self.begins_into_session_s
        if self.first_at is None:
            return 0.0
        return (self.first_at - self.session.started_at) / timedelta(seconds=1)

    @property
    def facts(self) -> LogFacts | None:
        """What it adds up to, where it holds voltage and current."""
        return facts_in(self.summary)


def facts_in(summary: Any) -> LogFacts | None:
    """What a log adds up to, and the ends of the columns that are compared with limits."""
    if not isinstance(summary, dict):
        return None
    facts, columns = dict(summary.get("facts") or {}), summary.get("columns") or {}
    for name, column, end in _ENDS:
        if column in columns:
            facts[name] = columns[column][end]
    return LogFacts(**facts) if facts else None


_ENDS = (
    ("highest_voltage_v", "voltage_v", 1),
    ("battery_temperature_c", "battery_temperature_c", 1),
    ("lowest_battery_temperature_c", "battery_temperature_c", 0),
    ("motor_temperature_c", "motor_temperature_c", 1),
    ("controller_temperature_c", "controller_temperature_c", 1),
)
"""Facts that are an end of a column, lowest (0) or highest (1); old logs have them too."""
