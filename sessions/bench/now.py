"""What to know of a machine today: its last session, what comes next, its season, what is in doubt and what is open."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field

from buildlog.failures.loop import States
from buildlog.failures.models import Failure
from buildlog.failures.queries import failure_list, failures_of_machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.queries import ridden_now
from calc.failure_state import State
from sessions.bench.machine_bench import Bench, Filters, bench_of
from sessions.bench.mode_rows import ModeRow
from sessions.bench.next_tests import Question, in_turn, questions_of
from sessions.evidence.doubts import DoubtedRecord, by_record
from sessions.evidence.headline import Headline, change_since, headlines
from sessions.evidence.session_results import SessionBesideEarlier
from sessions.outings.models import Session
from sessions.trials.season_strip import SeasonStrip, season_strip

READ_WHOLE = 60
"""Up to so many sessions the bench is asked at once: two seasons of a keen builder. Of more, the first page reads only
the newest, so that it takes no longer in the tenth season than in the first."""
NEWEST = 10


@dataclass(frozen=True)
class LastSession:
    """The newest session with its main numbers, each with how it differs from the one before."""

    session: Session
    headlines: list[tuple[Headline, str]]
    doubt_count: int


@dataclass
class Now:
    """bench: what the bench says, or None where the machine has too many sessions to read them all here."""

    vehicle: Vehicle
    today: Revision | None
    last: LastSession | None
    bench: Bench | None = None
    first: list[Question] = field(default_factory=list)
    then: list[Question] = field(default_factory=list)
    strip: SeasonStrip | None = None
    doubts: list[DoubtedRecord] = field(default_factory=list)
    open_modes: list[ModeRow] = field(default_factory=list)
    open_failures: list[Failure] = field(default_factory=list)
    """Where the bench was not asked: the newest that have not held."""


def now_of(vehicle: Vehicle, system: str) -> Now:
    """One fixed number of queries with the bench, and one without."""
    keys = Session.objects.filter(revision__vehicle=vehicle).order_by("-started_at", "-pk").values_list("pk", flat=True)
    newest = list(keys[: READ_WHOLE + 1])
    last = _last_session(vehicle, newest[0], system) if newest else None
    if len(newest) > READ_WHOLE:
        return Now(vehicle, ridden_now(vehicle=vehicle).first(), last, open_failures=_open_failures(vehicle))
    bench = bench_of(vehicle, Filters(), system)
    first, after = in_turn(questions_of(bench, system))
    doubts = bench.season.left_out.doubts.listed(system) if bench.season.left_out is not None else []
    return Now(
        vehicle,
        bench.today,
        last,
        bench,
        first,
        after[:1],
        _strip(bench, system),
        by_record(doubts),
        [row for row in bench.modes if row.state is not State.HELD],
    )


def _last_session(vehicle: Vehicle, key: uuid.UUID, system: str) -> LastSession:
    """As its own page says it."""
    session = Session.objects.select_related("revision", "venue").get(pk=key)
    session.revision.vehicle = vehicle
    worked_out = SessionBesideEarlier(session)
    rows = headlines(worked_out.report, worked_out.earlier, system)
    changes = [(row, change_since(row.result, worked_out.earlier, system)) for row in rows]
    return LastSession(session, changes, worked_out.doubts.open_count)


def _open_failures(vehicle: Vehicle) -> list[Failure]:
    states = States([vehicle])
    rows = failures_of_machine(failure_list(), vehicle).exclude(states.in_state(Failure.State.HELD))
    failures = list(rows[:NEWEST])
    states.note_on(failures)
    return failures


def _strip(bench: Bench, system: str) -> SeasonStrip | None:
    placed = [(failure, bench.exposure.place_m(failure)) for failure in bench.everything]
    places = [(failure, place_m) for failure, place_m in placed if place_m is not None]
    return season_strip(bench.season, places, _fixes(bench), bench.begins, system)


def _fixes(bench: Bench) -> Sequence[tuple[Failure, int, str]]:
    """Failures with the revision and the title of what answers them."""
    history = bench.history
    numbers = {str(revision.pk): revision.number for revision in bench.season.revisions}
    return [
        (failure, numbers[str(fix.revision)], fix.title)
        for failure in bench.everything
        for fix in history.fixes_for(history.failures[failure.pk])
    ]
