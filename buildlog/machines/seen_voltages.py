"""The highest voltage measured with each revision; limits are compared with it, too."""

from __future__ import annotations

import uuid
from typing import NamedTuple

from django.db.models import Max

from buildlog.machines.models import Revision, Vehicle


class SeenVoltage(NamedTuple):
    """A measured voltage and, in words for a sentence, where it was measured."""

    voltage_v: float
    subject: str


def seen_voltages(vehicle: Vehicle) -> dict[uuid.UUID, SeenVoltage]:
    """The highest of rest voltages, readings and logs by the revision that was ridden; in two queries."""
    revisions = Revision.objects.filter(vehicle=vehicle).order_by()
    recorded = revisions.values_list(
        "pk",
        "number",
        Max("sessions__rest_voltage_start_v"),
        Max("sessions__rest_voltage_end_v"),
        Max("sessions__readings__voltage_v"),
    )
    # Lowest and highest of each column were stored when the log was imported.
    logged = revisions.filter(sessions__logs__state="read").values_list(
        "pk", "number", "sessions__logs__summary__columns__voltage_v"
    )
    voltages: list[tuple[uuid.UUID, float | None, str]] = []
    for pk, number, before, after, read in recorded:
        voltages.append((pk, before, f"the pack at rest before a ride of R{number}"))
        voltages.append((pk, after, f"the pack at rest after a ride of R{number}"))
        voltages.append((pk, read, f"the pack in a reading of R{number}"))
    voltages += [(pk, extremes[1], f"the pack in a log of R{number}") for pk, number, extremes in logged if extremes]
    highest: dict[uuid.UUID, SeenVoltage] = {}
    for pk, voltage_v, subject in voltages:
        # A negative voltage comes from a logger with the opposite sign, and says nothing about a limit.
        if voltage_v is not None and voltage_v >= 0 and (pk not in highest or voltage_v > highest[pk].voltage_v):
            highest[pk] = SeenVoltage(voltage_v, subject)
    return highest
