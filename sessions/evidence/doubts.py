"""Doubts of a machine's records: which are open, which a person has confirmed, in words for pages and the API."""

from __future__ import annotations

import itertools
import uuid
from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from django.urls import reverse

from buildlog.failures.models import Failure
from buildlog.machines.confirmations import Confirmation
from buildlog.machines.models import Revision, Vehicle
from calc.doubts.check import Doubt, Mend
from sessions.evidence.doubt_checks import CheckedRecords
from sessions.evidence.doubt_facts import MachineRows
from sessions.evidence.passes_of_session import PassesOfSession
from sessions.evidence.reader import Evidence
from sessions.logs.models import Log
from sessions.outings.models import Pass, Reading, Session


@dataclass(frozen=True)
class OpenDoubt:
    """A doubt of one record, as pages and the API show it."""

    subject: str
    record: uuid.UUID
    label: str
    address: str
    doubt: Doubt
    confirmation: Confirmation | None = None

    @property
    def is_impossible(self) -> bool:
        return self.doubt.is_impossible


@dataclass(frozen=True)
class DoubtedRecord:
    """The doubts of one record together: one slip often breaks several rules, and one answer goes for all."""

    doubts: tuple[OpenDoubt, ...]

    @property
    def first(self) -> OpenDoubt:
        """The one that weighs most."""
        return next((doubt for doubt in self.doubts if doubt.is_impossible), self.doubts[0])

    @property
    def others(self) -> list[OpenDoubt]:
        return [doubt for doubt in self.doubts if doubt is not self.first]

    @property
    def mends(self) -> list[tuple[str, Mend]]:
        """What would explain a doubt, each once with its rule: first what explains most of them."""
        offered: dict[tuple[str, float], tuple[str, Mend]] = {}
        counts: Counter[tuple[str, float]] = Counter()
        for open_doubt in self.doubts:
            for mend in open_doubt.doubt.mends:
                counts[mend.fact.name, mend.value] += 1
                offered.setdefault((mend.fact.name, mend.value), (open_doubt.doubt.key, mend))
        return [offered[key] for key, _ in counts.most_common()]

    @property
    def mend_address(self) -> str:
        return reverse("mend_doubt", args=[self.first.subject, self.first.record])

    @property
    def confirm_address(self) -> str:
        return reverse("confirm_doubt", args=[self.first.subject, self.first.record])

    @property
    def edit_address(self) -> str:
        """The form in which the record is set right by hand."""
        return reverse(_EDIT_PAGES[self.first.subject], args=[self.first.record])


_EDIT_PAGES = {
    "build": "edit_revision",
    "session": "edit_session",
    "pass": "edit_pass",
    "reading": "edit_reading",
    "failure": "edit_failure",
    "log": "log_columns",
}
SUBJECT_OF: dict[type, str] = {
    Revision: "build",
    Session: "session",
    Pass: "pass",
    Reading: "reading",
    Failure: "failure",
    Log: "log",
}
MODEL_OF = {subject: model for model, subject in SUBJECT_OF.items()}
ORDER = ("build", "session", "pass", "reading", "failure", "log")


class Place(NamedTuple):
    """Where a record stands: its subject, and its row among the records of this kind."""

    subject: str
    row: int


class MachineDoubts(CheckedRecords):
    """The open and the confirmed doubts of the records that were read."""

    def rules(self, subject: str, row: int, confirmed: bool = False) -> list[str]:
        """Keys of a record's open rules, or of its confirmed ones."""
        answered = self.confirmed(subject).get(row, set())
        broken = [rule.key for rule in self.checked(subject).rules_of(row)]
        return [key for key in broken if (key in answered) == confirmed]

    def listed(self, system: str = "metric", records: Collection[Place] | None = None) -> list[OpenDoubt]:
        """The open doubts of all records in words, or of some of them: words take longer than all rules."""
        return list(self.in_words(self.open_records if records is None else records, system))

    def listed_of(self, record: Any, system: str = "metric") -> list[OpenDoubt]:
        """The open doubts of one record in words; of the others only what it is compared with is looked at."""
        return self.listed(system, self._open_of(SUBJECT_OF[type(record)], {record.pk}))

    def listed_of_keys(self, keys: Collection[uuid.UUID], system: str = "metric") -> list[OpenDoubt]:
        """The open doubts of the records with these keys in words."""
        return self.listed(system, [place for subject in ORDER for place in self._open_of(subject, keys)])

    def listed_as_confirmed(self, system: str = "metric") -> list[OpenDoubt]:
        """The doubts to which somebody said "it is so", in words."""
        places = [Place(subject, row) for subject in ORDER for row in self._broken(subject)]
        confirmed = [place for place in places if self.rules(*place, confirmed=True)]
        return list(self.in_words(confirmed, system, confirmed=True))

    @cached_property
    def open_records(self) -> list[Place]:
        """The records with an open doubt, in the order of lists."""
        return [place for subject in ORDER for place in self._open_of(subject)]

    def _open_of(self, subject: str, keys: Collection[uuid.UUID] | None = None) -> list[Place]:
        rows = self._broken(subject)
        if keys is not None:
            of_subject = self.rows(subject)
            rows = [row for row in rows if of_subject.key(row) in keys]
        return [Place(subject, row) for row in rows if self.rules(subject, row)]

    def in_words(
        self, records: Iterable[Place], system: str = "metric", confirmed: bool = False
    ) -> Iterator[OpenDoubt]:
        """The open doubts of these records one after the other, or the confirmed ones."""
        given = {(row.subject, row.record, row.rule): row for row in self.confirmations} if confirmed else {}
        for subject, row in records:
            key = self.rows(subject).key(row)
            rules = self.rules(subject, row, confirmed)
            label, address = self._label(subject, row), self._address(subject, row)
            for doubt in self.checked(subject).doubts(row, system):
                if doubt.key in rules:
                    yield OpenDoubt(subject, key, label, address, doubt, given.get((subject, key, doubt.key)))

    @property
    def open_count(self) -> int:
        """How many records have an open doubt."""
        return len(self.open_records)

    def _broken(self, subject: str) -> list[int]:
        """The rows that are asked about and break a rule."""
        return self.asked(subject, np.flatnonzero(self.checked(subject).any_breach)) if self.rows(subject).count else []

    def _label(self, subject: str, row: int) -> str:
        rows = self.rows(subject)
        if subject in ("build", "session") or not len(rows.owner) or rows.owner[row] < 0:
            return rows.label(row)
        return f"{self.rows('session').label(rows.owner[row])}: {rows.label(row)}"

    def _address(self, subject: str, row: int) -> str:
        rows = self.rows(subject)
        if subject == "build":
            return reverse("revision", args=[rows.key(row)])
        if subject == "failure":
            return reverse("failure", args=[rows.key(row)])
        if subject == "log":
            return reverse("log", args=[rows.key(row)])
        return reverse("session", args=[self.rows("session").key(rows.owner[row])])


def doubts_of_machine(vehicle: Vehicle, evidence: Evidence | None = None) -> MachineDoubts:
    """All records of a machine, whose evidence may be at hand."""
    return MachineDoubts(MachineRows.of_machine(vehicle, evidence))


def doubts_of_sessions(vehicle: Vehicle, evidence: Evidence) -> MachineDoubts:
    """Some sessions of a machine, and the builds that were ridden in them."""
    ridden = [evidence.machines[key] for key in sorted(set(evidence.revision))]
    return MachineDoubts(MachineRows([vehicle], evidence, ridden))


def doubts_of_session(session: Session, evidence: Evidence | None = None) -> MachineDoubts:
    """A session and what belongs to it, and its build; its evidence, also with others, may be at hand."""
    return MachineDoubts(MachineRows.of_session(session, evidence))


def doubts_about(record: Any) -> MachineDoubts:
    """The doubts in whose list a record is; its kind is one of `SUBJECT_OF`."""
    if isinstance(record, Revision):
        return MachineDoubts(MachineRows.of_build(record))
    if isinstance(record, Failure) and record.session_id is None:
        return MachineDoubts(MachineRows.of_build(record.revision))
    if isinstance(record, Session):
        return doubts_of_session(record)
    if isinstance(record, Pass):
        return MachineDoubts(PassesOfSession(record.session))
    return MachineDoubts(MachineRows.around_record(record.session))


def by_record(doubts: Iterable[OpenDoubt]) -> list[DoubtedRecord]:
    """Doubts in a list, those of one record together."""
    groups = itertools.groupby(doubts, key=lambda open_doubt: (open_doubt.subject, open_doubt.record))
    return [DoubtedRecord(tuple(group)) for _, group in groups]


def as_json(open_doubt: OpenDoubt) -> dict[str, Any]:
    """A doubt as the API writes it."""
    doubt = open_doubt.doubt
    return {
        "rule": doubt.key,
        "class": str(doubt.rule.breach),
        "sentence": doubt.sentence,
        "facts": list(doubt.rule.facts),
        "mends": [
            {"field": mend.fact.name, "value": mend.value, "slip": mend.slip.key, "words": mend.words()}
            for mend in doubt.mends
        ],
    }


def doubts_in_api(record: Any) -> list[dict[str, Any]]:
    """What the API says of a record's open doubts."""
    return [as_json(open_doubt) for open_doubt in doubts_about(record).listed_of(record)]


def doubts_of_many(records: list[Any]) -> dict[uuid.UUID, list[dict[str, Any]]]:
    """What the API says of the open doubts of several records of one kind; a machine is read once for all of them."""
    by_record_key: dict[uuid.UUID, list[dict[str, Any]]] = {}
    for doubts in _doubts_over(records):
        for open_doubt in doubts.listed_of_keys({record.pk for record in records}):
            by_record_key.setdefault(open_doubt.record, []).append(as_json(open_doubt))
    return by_record_key


_TO_RECORDS: dict[type, str] = {
    Revision: "revisions",
    Session: "revisions__sessions",
    Pass: "revisions__sessions__passes",
    Reading: "revisions__sessions__readings",
    Failure: "revisions__failures",
}


def _doubts_over(records: list[Any]) -> list[MachineDoubts]:
    """The doubts of one session where all records belong to it, and else those of each machine."""
    if not records:
        return []
    model = type(records[0])
    sessions = {record.pk if model is Session else getattr(record, "session_id", None) for record in records}
    if len(sessions) == 1 and None not in sessions:
        with_machine = Session.objects.select_related("revision__vehicle")
        return [doubts_of_session(session) for session in with_machine.filter(pk__in=sessions)]
    within = {f"{_TO_RECORDS[model]}__in": [record.pk for record in records]}
    return [doubts_of_machine(vehicle) for vehicle in Vehicle.objects.filter(**within).distinct()]
