"""The facts that doubts are about, as columns: what the one reader of sessions has read, and their failures.

Each kind of record is made ready when a rule asks for it: to doubt a pass, no reading and no log is read.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from django.db.models import Min
from django.utils import timezone

from buildlog.failures.models import Failure
from buildlog.machines.doubt_facts import MachineFacts, facts_of_machine
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.queries import LINE, read_line, revisions_with_parts
from buildlog.storage.columns import as_text, floats
from calc.doubts.surroundings import cells_in_series
from sessions.evidence.pass_columns import gates_by_text
from sessions.evidence.reader import Evidence
from sessions.logs.file_doubts import log_row
from sessions.logs.models import Log
from sessions.outings.models import Pass, Session

SURFACES_OF_ICE = frozenset({"clear_ice", "white_ice", "snow_on_ice", "packed_snow", "loose_snow", "slush"})
USUAL_U_S = 0.24
"""Added to a pass's time where its speed must be certain: twice the usual uncertainty of a stopwatch."""
SESSION_FACTS = (
    "runtime_s",
    "distance_m",
    "charge_used_ah",
    "energy_used_wh",
    "recharge_energy_wh",
    "rest_voltage_start_v",
    "rest_voltage_end_v",
    "rider_mass_kg",
    "payload_kg",
    "air_temperature_c",
    "wind_speed_mps",
    "ice_thickness_cm",
)
READING_FACTS = (
    "time_into_session_s",
    "voltage_v",
    "current_a",
    "charge_used_ah",
    "battery_temperature_c",
    "motor_temperature_c",
    "controller_temperature_c",
    "distance_m",
)
FAILURE_FACTS = ("time_into_session_s", "distance_into_session_m")
_DAY = timedelta(days=1)


@dataclass
class Rows:
    """Records of one kind. `owner` is the row of each record's session, −1 where it has none.

    Keys stay text, as the database writes them: building as many objects takes longer than all rules.
    """

    texts: Sequence[str] = ()
    known: dict[str, Any] = field(default_factory=dict)
    owner: Any = field(default_factory=lambda: np.empty(0, dtype=np.intp))
    label: Callable[[int], str] = str
    """What pages call the record in a row."""

    @property
    def count(self) -> int:
        return len(self.texts)

    def key(self, row: int) -> uuid.UUID:
        return uuid.UUID(self.texts[row])

    @cached_property
    def _place(self) -> dict[str, int]:
        return {text: row for row, text in enumerate(self.texts)}

    def row_of(self, key: uuid.UUID) -> int | None:
        """The row of a record, None where it is not here; databases write keys in two ways."""
        return self._place.get(str(key), self._place.get(key.hex))

    def rows_of(self, texts: Iterable[str]) -> Any:
        """The rows of keys that are text of the same database, −1 where there is none."""
        place = self._place
        return np.array([place.get(text, -1) for text in texts], dtype=np.intp)


class MachineRows:
    """Facts of machines, or of one session, or of a build alone.

    Parameters
    ----------
    vehicles: the machines.
    evidence: the sessions that are asked about; None for none.
    machines: the revisions whose builds are asked about.
    session: the one session that is asked about. Where the evidence is of no other, what was ridden before it is looked
        up.
    """

    def __init__(
        self,
        vehicles: Collection[Vehicle],
        evidence: Evidence | None,
        machines: Iterable[Machine],
        session: Session | None = None,
    ) -> None:
        self.vehicles, self._session, self._given = vehicles, session, evidence
        of_revision = {machine.revision.pk: machine for machine in machines}
        self.revisions: list[Revision] = [machine.revision for machine in of_revision.values()]
        self._place = {key: index for index, key in enumerate(of_revision)}
        self.machines: list[MachineFacts] = [facts_of_machine(machine) for machine in of_revision.values()]

    @cached_property
    def evidence(self) -> Evidence:
        return Evidence(Session.objects.none(), {}) if self._given is None else self._given

    @classmethod
    def of_machine(cls, vehicle: Vehicle, evidence: Evidence | None = None) -> MachineRows:
        """All records of a machine, of which the evidence may be at hand."""
        if evidence is None:
            line = getattr(vehicle, LINE, None) or read_line(vehicle)
            machines = {revision.pk: Machine(revision) for revision in line}
            evidence = Evidence(Session.objects.filter(revision__vehicle=vehicle), machines)
        return cls([vehicle], evidence, evidence.machines.values())

    @classmethod
    def of_session(cls, session: Session, evidence: Evidence | None = None) -> MachineRows:
        """A session with what belongs to it, and its build. Others in the evidence are checked, but not asked about."""
        evidence = evidence or Evidence.of_session(session)
        ridden = [evidence.machines[key] for key in sorted(set(evidence.revision))]
        return cls([evidence.machines[session.revision_id].revision.vehicle], evidence, ridden, session)

    @classmethod
    def around_record(cls, session: Session) -> MachineRows:
        """The same, for one record of the session: the machine's other revisions are read only where a rule needs
        them."""
        revision = revisions_with_parts().get(pk=session.revision_id)
        machines = {revision.pk: Machine(revision)}
        return cls.of_session(session, Evidence(Session.objects.filter(pk=session.pk), machines))

    @classmethod
    def of_build(cls, revision: Revision) -> MachineRows:
        """A revision without any session; failures that belong to none."""
        return cls([revision.vehicle], None, [Machine.in_line(revision)])

    @property
    def session_row(self) -> int | None:
        """The row of the one session that is asked about; None where all are."""
        return None if self._session is None else self.sessions.row_of(self._session.pk)

    @cached_property
    def revision_of(self) -> Any:
        """The place of each session's revision in `revisions`."""
        return np.array([self._place[key] for key in self.evidence.revision], dtype=np.intp)

    @cached_property
    def sessions(self) -> Rows:
        evidence = self.evidence
        starts, ends = evidence.started_at, evidence.ended_at
        known = {name: evidence.numbers[name] for name in SESSION_FACTS}
        known["elapsed_s"] = floats(
            [None if end is None else (end - start).total_seconds() for start, end in zip(starts, ends, strict=True)]
        )
        known["on_ice"] = floats([surface in SURFACES_OF_ICE for surface in evidence.surface])
        known["started_at"] = floats([start.timestamp() for start in starts])
        known["ended_at"] = floats([None if end is None else end.timestamp() for end in ends])
        known |= _days(starts, [self.revisions[place].date for place in self.revision_of])

        def label(row: int) -> str:
            return f"{evidence.venue_name[row]}, {starts[row].astimezone():%Y-%m-%d}"

        return Rows(evidence.text, known, np.arange(evidence.count), label)

    @cached_property
    def previous_distance_m(self) -> Any:
        """What was ridden in the same machine's session before each: a wheel counter that was not reset adds it."""
        distance_m = self.evidence.numbers["distance_m"]
        if self._session is None or distance_m.size != 1:
            before_m = np.full(distance_m.shape, np.nan)
            machine_of = np.array([hash(revision.vehicle_id) for revision in self.revisions])[self.revision_of]
            for machine in np.unique(machine_of):
                rows = np.flatnonzero(machine_of == machine)
                before_m[rows[1:]] = distance_m[rows[:-1]]
            return before_m
        before = Session.objects.filter(revision__vehicle__in=self.vehicles, started_at__lt=self.evidence.started_at[0])
        return floats([before.order_by("-started_at", "-pk").values_list("distance_m", flat=True).first()])

    @cached_property
    def passes(self) -> Rows:
        if not self.evidence.count:
            return Rows()
        every = self.evidence.all_passes
        passes = every.only(every.valid)
        known = {
            "duration_s": passes.columns["duration_s"],
            "gate_length_m": passes.columns["distance_m"],
            **passes.stated,
        }
        return Rows(passes.text, known, passes.session, lambda row: f"Pass {passes.number[row]}")

    @cached_property
    def readings(self) -> Rows:
        if not self.evidence.count:
            return Rows()
        values, owner, text = self.evidence.all_readings
        known = {name: values[name] for name in READING_FACTS}
        minutes = known["time_into_session_s"] / 60.0
        return Rows(text, known, owner, lambda row: f"Reading at {minutes[row]:.0f} min")

    @property
    def failures(self) -> Rows:
        return self._failures[0]

    @property
    def failure_revision(self) -> Any:
        """The place of each failure's revision in `revisions`, −1 where it is not asked about."""
        return self._failures[1]

    @cached_property
    def _failures(self) -> tuple[Rows, Any]:
        names = (
            "text",
            "session_text",
            "revision_id",
            "revision__date",
            "happened_at",
            "mode__name",
            "session__started_at",
            "session__ended_at",
        )
        of_these = {"revision__in": list(self._place)} if self._session is None else {"session": self._session}
        rows = Failure.objects.filter(**of_these).order_by()
        rows = rows.annotate(text=as_text("id"), session_text=as_text("session_id"))
        read = list(rows.values_list(*names, *FAILURE_FACTS))
        columns = list(zip(*read, strict=True)) if read else [()] * (len(names) + len(FAILURE_FACTS))
        keys, owners, builds, dates, moments, modes, starts, ends, *facts = columns
        known = {name: floats(column) for name, column in zip(FAILURE_FACTS, facts, strict=True)}
        known |= _days(moments, dates)
        known["happened_at"] = floats([moment.timestamp() for moment in moments])
        for name, ends_of, sign in (("before_start_s", starts, -1.0), ("after_end_s", ends, 1.0)):
            known[name] = floats(
                [
                    None if end is None else sign * (moment - end).total_seconds()
                    for moment, end in zip(moments, ends_of, strict=True)
                ]
            )
        places = np.array([self._place.get(key, -1) for key in builds], dtype=np.intp)
        return Rows(keys, known, self.sessions.rows_of(owners), lambda row: f"Failure: {modes[row]}"), places

    @cached_property
    def logs(self) -> Rows:
        logs = self.evidence.logs if self.evidence.count else []
        starts = self.evidence.started_at
        rows = [log_row(log.summary, log.duration_s, log.length_m) for log in logs]
        fact_names = {name for facts in rows for name in facts}
        known = {name: floats([facts.get(name) for facts in rows]) for name in fact_names}
        placed_by_its_own_clock = [
            (log.first_at - starts[log.row]).total_seconds() / 3600.0
            if log.first_at is not None and log.clock == Log.Clock.OWN
            else None
            for log in logs
        ]
        known["hours_off_session"] = floats(placed_by_its_own_clock)
        known["first_at"] = floats([None if log.first_at is None else log.first_at.timestamp() for log in logs])
        owner = np.array([log.row for log in logs], dtype=np.intp)
        return Rows([log.text for log in logs], known, owner, lambda row: f"Log {logs[row].name}")

    @cached_property
    def fastest_mps(self) -> Any:
        """The speed that each revision's fastest pass had at least, NaN where nothing known is compared with it.

        A pass far beyond the gearing is itself in doubt.
        """
        fastest = np.full(len(self.machines), np.nan)
        geared = {
            key: speed_mps
            for key, place in self._place.items()
            if (speed_mps := self.machines[place].surroundings.get("geared_speed_mps")) is not None
        }
        if not geared:
            return fastest
        best = Pass.objects.filter(session__revision__in=geared, valid=True).annotate(gate_text=as_text("gate_id"))
        rows = best.order_by().values_list("session__revision", "gate_text").annotate(Min("duration_s"))
        gates = gates_by_text({gate for _, gate, _ in rows})
        for key, gate, duration_s in rows:
            speed_mps = gates[gate].length_m / (duration_s + USUAL_U_S) if gate in gates else 0.0
            if 0 < speed_mps < 1.5 * geared[key]:
                place = self._place[key]
                fastest[place] = np.fmax(fastest[place], speed_mps)
        return fastest


def _days(moments: Sequence[datetime], dates: Sequence[date]) -> dict[str, Any]:
    """Days from the date of each record's revision, and from now."""
    now, zone = timezone.now(), timezone.get_current_timezone()
    return {
        "days_after_revision": floats(
            [(moment.astimezone(zone).date() - built) / _DAY for moment, built in zip(moments, dates, strict=True)]
        ),
        "days_ahead_of_now": floats([(moment - now) / _DAY for moment in moments]),
    }


def with_cells(known: dict[str, Any]) -> dict[str, Any]:
    """The surroundings of sessions with how many cells the pack has in series."""
    return {**known, "pack_cells_in_series": cells_in_series(known["pack_full_voltage_v"])}
