"""The highest voltage measured with each revision; limits are compared with it, too."""

from __future__ import annotations

import uuid
from typing import Any, NamedTuple

from django.db.models import Exists, Max, OuterRef, QuerySet, Subquery, Value
from django.db.models.functions import Coalesce

from buildlog.machines.models import Revision, Vehicle


class SeenVoltage(NamedTuple):
    """A measured voltage and, in words for a sentence, where it was measured."""

    voltage_v: float
    subject: str


def seen_voltages(vehicle: Vehicle) -> dict[uuid.UUID, SeenVoltage]:
    """The highest of rest voltages, readings and logs by the revision that was ridden; in three queries."""
    revisions = Revision.objects.filter(vehicle=vehicle).order_by()
    at_rest = revisions.filter(Exists(_sessions().filter(revision=OuterRef("pk")))).values_list(
        "pk", "number", _highest("rest_voltage_start_v"), _highest("rest_voltage_end_v")
    )
    voltages: list[tuple[uuid.UUID, float | None, str]] = []
    highest_at_rest: dict[uuid.UUID, float | None] = {}
    numbers: dict[uuid.UUID, int] = {}
    for pk, number, before, after in at_rest:
        voltages.append((pk, before, f"the pack at rest before a ride of R{number}"))
        voltages.append((pk, after, f"the pack at rest after a ride of R{number}"))
        numbers[pk] = number
        highest_at_rest[pk] = max((volts for volts in (before, after) if volts is not None), default=None)
    voltages += [
        (pk, voltage_v, f"the pack in a reading of R{numbers[pk]}") for pk, voltage_v in _in_readings(highest_at_rest)
    ]
    # Lowest and highest of each column were stored when the log was imported.
    # Asked for from the logs, which are fewer than the sessions of a long season.
    logs = _logs().alias(machine=Coalesce("session__revision__vehicle", Value(None))).order_by()
    logged = logs.filter(machine=vehicle.pk, state="read").values_list(
        "session__revision", "session__revision__number", "summary__columns__voltage_v"
    )
    voltages += [(pk, extremes[1], f"the pack in a log of R{number}") for pk, number, extremes in logged if extremes]
    highest: dict[uuid.UUID, SeenVoltage] = {}
    for pk, voltage_v, subject in voltages:
        # A negative voltage comes from a logger with the opposite sign, and says nothing about a limit.
        if voltage_v is not None and voltage_v >= 0 and (pk not in highest or voltage_v > highest[pk].voltage_v):
            highest[pk] = SeenVoltage(voltage_v, subject)
    return highest


_HIGHEST_OF = ("session__revision", "highest")


def _in_readings(highest_at_rest: dict[uuid.UUID, float | None]) -> list[tuple[uuid.UUID, float]]:
    """The highest reading of each revision that may be above its voltages at rest.

    A pack under load shows less than at rest: of thousands of readings, an index finds the few that show more. Only
    of revisions without a voltage at rest are all readings read.
    """
    known = [volts for volts in highest_at_rest.values() if volts is not None]
    unknown = [key for key, volts in highest_at_rest.items() if volts is None]
    asked = []
    if known:
        # From the readings, and of whichever machine: asked for by the machine, SQLite goes through all of its.
        above = _readings().filter(voltage_v__gt=min(known)).order_by()
        asked.append(above.values("session__revision").annotate(highest=Max("voltage_v")).values_list(*_HIGHEST_OF))
    if unknown:
        # Each part by its own index.
        own = _readings().filter(session__revision__in=unknown).order_by()
        asked.append(own.values("session__revision").annotate(highest=Max("voltage_v")).values_list(*_HIGHEST_OF))
    rows = asked[0].union(*asked[1:], all=True) if asked else ()
    return [row for row in rows if row[0] in highest_at_rest]


def _highest(column: str) -> Subquery:
    """The highest value of a column of a revision's sessions: by an index of both, one look for each revision."""
    sessions = _sessions().filter(revision=OuterRef("pk"), **{f"{column}__isnull": False})
    return Subquery(sessions.order_by(f"-{column}").values(column)[:1])


def _sessions() -> QuerySet[Any]:
    """Sessions and readings are reached by their relations, because this room imports none after it."""
    session: Any = Revision._meta.get_field("sessions").related_model
    rows: QuerySet[Any] = session._base_manager.all()
    return rows


def _readings() -> QuerySet[Any]:
    rows: QuerySet[Any] = _sessions().model._meta.get_field("readings").related_model._base_manager.all()
    return rows


def _logs() -> QuerySet[Any]:
    rows: QuerySet[Any] = _sessions().model._meta.get_field("logs").related_model._base_manager.all()
    return rows
