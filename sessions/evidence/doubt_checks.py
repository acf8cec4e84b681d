"""The rules of all subjects on the records of one machine.

A build is asked first, then passes, then what is compared with both; what is itself in doubt is compared with nothing.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection
from functools import cached_property
from typing import Any

import numpy as np

from buildlog.machines.confirmations import Confirmation
from calc.doubts.check import Checked, check
from calc.doubts.consequences import facts_in_doubt
from calc.doubts.subjects import SUBJECTS
from sessions.evidence.doubt_facts import MachineRows, Rows, with_cells

_PACK = tuple(fact.name for fact in SUBJECTS["session"].context if fact.name.startswith("pack_"))
_BLANKED = {
    "geared_speed_mps": ("drive_ratio", "rolling_circumference_m", "motor_constant_rpm_per_v", "module_full_voltage_v"),
    "controller_highest_voltage_v": ("controller_highest_voltage_v",),
    "motor_peak_power_w": ("motor_peak_power_w",),
    "machine_mass_kg": ("mass_without_rider_kg",),
    "current_limit_a": ("controller_peak_current_a", "module_continuous_current_a"),
    **dict.fromkeys(
        _PACK, ("module_full_voltage_v", "module_nominal_voltage_v", "module_empty_voltage_v", "module_capacity_ah")
    ),
}
"""What sessions are compared with, and the facts of a build that it follows from."""
_BETWEEN_PARTS = frozenset(
    {"pack_over_controller", "pack_over_motor", "pack_far_under_controller", "pack_under_cut_off"}
)
"""Rules that two good parts break which do not fit each other; what a session is compared with stays."""
_BY_SESSION = frozenset({"log_charge_of_session", "log_distance_of_session", "log_energy_per_distance"})
"""Rules of a log that the session may break as well; they take the log away from no session."""


_RECORDS = {
    "session": "sessions",
    "pass": "passes",
    "reading": "readings",
    "failure": "failures",
    "log": "logs",
}


class CheckedRecords:
    """The rules on the records of one machine, and what was confirmed of them; each kind is checked once asked for."""

    def __init__(self, facts: MachineRows) -> None:
        self.facts = facts
        self._checked: dict[str, Checked] = {}
        self._in_doubt: dict[str, dict[str, Any]] = {}
        self._confirmed: dict[str, dict[int, set[str]]] = {}

    def rows(self, subject: str) -> Rows:
        """The records of one kind."""
        return self._builds if subject == "build" else getattr(self.facts, _RECORDS[subject])

    def asked(self, subject: str, rows: Any) -> list[int]:
        """Of these rows those that are asked about: where it is one session, what belongs to it, and its build."""
        session = self.facts.session_row
        if session is None:
            return [int(row) for row in rows]
        if subject == "build":
            ridden = self.facts.revision_of[session]
            return [int(row) for row in rows if row == ridden]
        owner = self.rows(subject).owner
        return [int(row) for row in rows if owner[row] == session]

    def checked(self, subject: str) -> Checked:
        """The rules of one kind of record on all of its rows."""
        if subject not in self._checked:
            known = getattr(self, f"_known_of_{subject}")() if self.rows(subject).count else {}
            self._checked[subject] = check(SUBJECTS[subject], known)
        return self._checked[subject]

    @cached_property
    def confirmations(self) -> list[Confirmation]:
        return list(Confirmation.objects.filter(vehicle__in=self.facts.vehicles))

    def confirmed(self, subject: str) -> dict[int, set[str]]:
        """The rules that are confirmed for the values as they are now, by row."""
        if subject not in self._confirmed:
            self._confirmed[subject] = self._read_confirmed(subject)
        return self._confirmed[subject]

    def _read_confirmed(self, subject: str) -> dict[int, set[str]]:
        rules: dict[int, set[str]] = {}
        broken = np.flatnonzero(self.checked(subject).any_breach)
        confirmations = self.of_subject(subject) if broken.size else []
        if not confirmations:
            return rules
        texts = self.rows(subject).texts
        place = {uuid.UUID(texts[row]): row for row in broken.tolist()}
        for confirmation in confirmations:
            row = place.get(confirmation.record)
            rule = SUBJECTS[subject].rule(confirmation.rule)
            if row is None or rule is None:
                continue
            if confirmation.holds_for(self.checked(subject).values(rule, row)):
                rules.setdefault(row, set()).add(rule.key)
        return rules

    def of_subject(self, subject: str) -> list[Confirmation]:
        return [confirmation for confirmation in self.confirmations if confirmation.subject == subject]

    def facts_in_doubt(self, subject: str) -> dict[str, Any]:
        """For each fact of these records, which rows are in doubt and not confirmed: the mask that results heed.

        Rows are in the order of `rows(subject).texts`; sessions by their start.
        """
        if subject not in self._in_doubt:
            any_rows = self.rows(subject).count > 0
            masks = facts_in_doubt(self.checked(subject), self.confirmed(subject)) if any_rows else {}
            self._in_doubt[subject] = masks
        return self._in_doubt[subject]

    @cached_property
    def _builds(self) -> Rows:
        revisions = self.facts.revisions
        return Rows([str(revision.pk) for revision in revisions], label=lambda row: str(revisions[row]))

    def _known_of_build(self) -> dict[str, Any]:
        build = _table([machine.build for machine in self.facts.machines])
        return {**build, "fastest_pass_mps": self.facts.fastest_mps}

    @cached_property
    def _surroundings(self) -> dict[str, Any]:
        """What sessions are compared with, by revision; unknown where the build itself is in doubt."""
        known = with_cells(
            dict.fromkeys(_PACK, np.full(len(self.facts.machines), np.nan))
            | _table([machine.surroundings for machine in self.facts.machines])
        )
        return self._beyond_doubt(known)

    def _beyond_doubt(self, known: dict[str, Any]) -> dict[str, Any]:
        """What follows from builds, without what follows from a fact of theirs in doubt."""
        confirmed = self.confirmed("build")
        aside = {row: confirmed.get(row, set()) | _BETWEEN_PARTS for row in range(len(self.facts.machines))}
        doubted = facts_in_doubt(self.checked("build"), aside)
        for name, follows_from in _BLANKED.items():
            masks = [doubted[fact] for fact in follows_from if fact in doubted]
            if masks and name in known:
                known[name] = np.where(np.any(masks, axis=0), np.nan, known[name])
        return known

    @cached_property
    def _of_session(self) -> dict[str, Any]:
        """The surroundings of each session."""
        return {name: values[self.facts.revision_of] for name, values in self._surroundings.items()}

    def _known_of_pass(self) -> dict[str, Any]:
        rows, session = self.facts.passes, self.facts.sessions.known
        with np.errstate(divide="ignore", invalid="ignore"):
            speeds = rows.known["gate_length_m"] / rows.known["duration_s"]
        return {
            **rows.known,
            "others_mps": _others(speeds, rows.owner, self.facts.sessions.count),
            **_of_owner(self._of_session, rows, ("geared_speed_mps",)),
            **_of_owner(session, rows, ("runtime_s", "elapsed_s")),
        }

    def _known_of_session(self) -> dict[str, Any]:
        mass_kg = self._beyond_doubt(_table([{"machine_mass_kg": machine.mass_kg} for machine in self.facts.machines]))
        return {
            **self.facts.sessions.known,
            "previous_distance_m": self.facts.previous_distance_m,
            **self._of_session,
            **{name: values[self.facts.revision_of] for name, values in mass_kg.items()},
            **self._from_parts(),
            **self._from_logs(),
        }

    def _from_parts(self) -> dict[str, Any]:
        """What passes and readings say of their sessions: the fastest pass not in doubt, and the last readings."""
        count = self.facts.sessions.count
        passes, readings = self.facts.passes, self.facts.readings
        known = {
            name: np.full(count, np.nan)
            for name in ("best_pass_mps", "last_event_s", "last_reading_distance_m", "last_reading_charge_ah")
        }
        if passes.count:
            doubted = self.facts_in_doubt("pass").get("duration_s", np.zeros(passes.count, dtype=bool))
            with np.errstate(divide="ignore", invalid="ignore"):
                speeds = np.where(doubted, np.nan, passes.known["gate_length_m"] / passes.known["duration_s"])
            np.fmax.at(known["best_pass_mps"], passes.owner, speeds)
            np.fmax.at(known["last_event_s"], passes.owner, passes.known["time_into_session_s"])
        if readings.count:
            np.fmax.at(known["last_event_s"], readings.owner, readings.known["time_into_session_s"])
            np.fmax.at(known["last_reading_distance_m"], readings.owner, readings.known["distance_m"])
            # The last that was noted: readings are in the order of taps.
            noted = ~np.isnan(readings.known["charge_used_ah"])
            known["last_reading_charge_ah"][readings.owner[noted]] = readings.known["charge_used_ah"][noted]
        return known

    def _known_of_reading(self) -> dict[str, Any]:
        rows, session = self.facts.readings, self.facts.sessions.known
        before = {
            f"before_{name}": _before(rows.known[column], rows.owner)
            for name, column in (
                ("charge_ah", "charge_used_ah"),
                ("distance_m", "distance_m"),
                ("time_s", "time_into_session_s"),
            )
        }
        return {
            **rows.known,
            **before,
            **_of_owner(self._of_session, rows, tuple(self._of_session)),
            **_of_owner(session, rows, ("air_temperature_c", "elapsed_s", "runtime_s")),
            "previous_distance_m": self.facts.previous_distance_m[rows.owner],
            "session_charge_ah": session["charge_used_ah"][rows.owner],
            "session_distance_m": session["distance_m"][rows.owner],
        }

    def _known_of_failure(self) -> dict[str, Any]:
        rows, session = self.facts.failures, self.facts.sessions
        known = dict(rows.known)
        if "geared_speed_mps" in self._surroundings:
            place = self.facts.failure_revision
            known["geared_speed_mps"] = np.where(place >= 0, self._surroundings["geared_speed_mps"][place], np.nan)
        if session.count:
            has_session = rows.owner >= 0
            for name, column in (
                ("elapsed_s", "elapsed_s"),
                ("runtime_s", "runtime_s"),
                ("session_distance_m", "distance_m"),
            ):
                known[name] = np.where(has_session, session.known[column][rows.owner], np.nan)
        return known

    def _known_of_log(self) -> dict[str, Any]:
        rows, session = self.facts.logs, self.facts.sessions.known
        return {
            **rows.known,
            **_of_owner(self._of_session, rows, tuple(self._of_session)),
            **_of_owner(session, rows, ("air_temperature_c", "runtime_s", "elapsed_s")),
            "session_distance_m": session["distance_m"][rows.owner],
            "session_charge_ah": session["charge_used_ah"][rows.owner],
            "session_energy_wh": session["energy_used_wh"][rows.owner],
        }

    def _from_logs(self) -> dict[str, Any]:
        """What each session is held against of those of its logs that are not in doubt themselves."""
        rows, count = self.facts.logs, self.facts.sessions.count
        if not rows.count:
            return {}
        named = [rule.key in _BY_SESSION for rule in SUBJECTS["log"].rules]
        confirmed, breached = self.confirmed("log"), self.checked("log").breached
        good = np.array(
            [
                all(
                    named[index] or rule.key in confirmed.get(row, ())
                    for index, rule in enumerate(SUBJECTS["log"].rules)
                    if breached[index, row]
                )
                for row in range(rows.count)
            ]
        )
        longest = np.full(count, np.nan)
        beside = {name: np.full(count, np.nan) for name in ("log_energy_wh", "log_charge_ah", "track_length_m")}
        for row in np.flatnonzero(good):
            owner, duration_s = rows.owner[row], rows.known["duration_s"][row]
            if not duration_s <= longest[owner]:
                longest[owner] = duration_s
                for name, column in (("log_energy_wh", "energy_wh"), ("log_charge_ah", "charge_ah")):
                    beside[name][owner] = rows.known.get(column, np.full(rows.count, np.nan))[row]
            beside["track_length_m"][owner] = np.fmax(beside["track_length_m"][owner], rows.known["distance_m"][row])
        return {**beside, "log_duration_s": longest}


def _table(rows: list[dict[str, float | None]]) -> dict[str, Any]:
    names = {name for row in rows for name in row}
    return {name: np.array([row.get(name) for row in rows], dtype=np.float64) for name in names}


def _of_owner(known: dict[str, Any], rows: Rows, names: Collection[str]) -> dict[str, Any]:
    return {name: known[name][rows.owner] for name in names if name in known}


def _others(speeds: Any, owner: Any, count: int) -> Any:
    """For each pass the median of its session's passes; the other one where there are two; NaN where it is alone."""
    others = np.full(speeds.size, np.nan)
    good = np.flatnonzero(~np.isnan(speeds))
    ordered = good[np.lexsort((speeds[good], owner[good]))]
    sizes = np.bincount(owner[ordered], minlength=count)
    first = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    sorted_speeds = speeds[ordered]
    # The median of a session's passes, or of two passes the other one.
    middle = first + sizes // 2
    several = sizes > 1
    below, above = (np.clip(middle - shift, 0, max(ordered.size - 1, 0)) for shift in (1, 0))
    median = np.full(count, np.nan)
    if ordered.size:
        even = sizes % 2 == 0
        median = np.where(even, 0.5 * (sorted_speeds[below] + sorted_speeds[above]), sorted_speeds[above])
        others[ordered] = np.where(several, median, np.nan)[owner[ordered]]
        pairs = np.flatnonzero(sizes == 2)
        others[ordered[first[pairs]]] = sorted_speeds[first[pairs] + 1]
        others[ordered[first[pairs] + 1]] = sorted_speeds[first[pairs]]
    return others


def _before(values: Any, owner: Any) -> Any:
    """The last known value before each row within its session, NaN where there is none; rows are in order."""
    if not values.size:
        return values
    rows = np.arange(values.size)
    known = np.maximum.accumulate(np.where(np.isnan(values), -1, rows))
    last = np.concatenate([[-1], known[:-1]])
    starts = np.concatenate([[True], owner[1:] != owner[:-1]])
    first = np.maximum.accumulate(np.where(starts, rows, 0))
    return np.where(last >= first, values[last], np.nan)
