"""What the forms of sessions, passes and readings say before they are saved: results, and what can hardly be."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from buildlog.quantities.declared import quantities_of
from buildlog.quantities.fields import QuantityField
from buildlog.records.form_checks import Consequences, FieldDoubt, Offer, Row
from calc.quantities import written
from calc.results import Result
from calc.typed_values import as_typed
from calc.written_limits import written_span
from sessions.evidence.doubts import OpenDoubt, doubts_of_session
from sessions.evidence.headline import ASKED_FIRST
from sessions.evidence.left_out import LeftOut
from sessions.evidence.reader import Evidence
from sessions.evidence.session_results import EarlierSessions, SessionBesideEarlier, pass_rows
from sessions.outings.models import Pass, Reading, Session

_MOST_OFFERS = 2
_GUARDS = ("remaining_range", "range", "runtime_left")
_BESIDE = ("average_speed",)
"""Said as well, where it could be worked out and is not among the first."""


def says_of_session(session: Session, system: str) -> Consequences:
    """The main results as they would be, each beside the machine's earlier ones, and doubts at their fields."""
    worked_out = SessionBesideEarlier(session)
    open_doubts = worked_out.doubts.listed_of(session, system)
    doubted = {fact for open_doubt in open_doubts for fact in open_doubt.doubt.rule.facts}
    report = worked_out.as_stored
    results: list[Result] = []
    for keys in (*ASKED_FIRST, _BESIDE):
        result = next((result for key in keys if (result := report.get(key)) is not None), None)
        if result is not None and result.value is not None and result not in results:
            results.append(result)
    rests_on_doubt = bool(worked_out.left_out.count and doubted)
    careful = worked_out.report if rests_on_doubt else report
    without = worked_out.beyond_doubt_report if rests_on_doubt else report
    consequences = Consequences(doubts=_by_field(open_doubts, Session, system))
    for result in results:
        certain = without.get(result.key)
        is_doubtful = certain is None or certain.value != result.value
        # A doubt makes no guard less careful: how far it still goes is what its page will say.
        shown = careful.get(result.key) if result.key in _GUARDS else result
        if shown is not None and shown.value is not None:
            consequences.rows.append(_row(shown, shown.value, worked_out.earlier, system, is_doubtful))
    return consequences


def _row(result: Result, value: float, earlier: EarlierSessions, system: str, is_doubtful: bool) -> Row:
    notes = []
    values = earlier.recorded(result.key)
    if values:
        ridden = f"{len(values)} sessions before" if len(values) > 1 else "session before"
        notes.append(f"{written_span(min(values), max(values), result.kind, system, 3)} in the {ridden}")
    if is_doubtful:
        notes.append("rests on a value in doubt")
    return Row(result.label, written(value, result.kind, system, result.u, 3), "; ".join(notes))


def says_of_pass(run: Pass, system: str) -> Consequences:
    """Its speed, and that of the session's other passes."""
    session = run.session
    evidence = Evidence.of_session(session)
    doubts = doubts_of_session(session, evidence)
    rows = pass_rows(session, evidence, LeftOut(doubts))
    consequences = Consequences(doubts=_by_field(doubts.listed_of(run, system), Pass, system))
    for row in rows:
        if row.run.pk == run.pk and row.speed is not None:
            speed = written(float(row.speed.value), "speed", system, float(row.speed.u))
            consequences.rows.append(Row("Through the gate", speed))
    others = [row for row in rows if row.run.pk != run.pk and row.speed is not None and row.run.valid]
    for direction, label in Pass.Direction.choices:
        speeds = [float(row.speed.value) for row in others if row.speed and row.run.direction == direction]
        if speeds:
            mean = written(sum(speeds) / len(speeds), "speed", system, None, 3)
            count = f"{len(speeds)} other pass{'' if len(speeds) == 1 else 'es'}"
            consequences.rows.append(Row(f"{label}, mean", mean, f"of {count} of this session"))
    return consequences


def says_of_reading(reading: Reading, system: str) -> Consequences:
    """What of it can hardly be."""
    doubts = doubts_of_session(reading.session)
    return Consequences(doubts=_by_field(doubts.listed_of(reading, system), Reading, system))


def _by_field(doubts: Iterable[OpenDoubt], model: Any, system: str) -> dict[str, list[FieldDoubt]]:
    """Doubts at the field that a mend would change, or else at the first that the rule is about."""
    fields: dict[str, QuantityField[Any, Any]] = {field.name: field for field in quantities_of(model)}
    by_field: dict[str, list[FieldDoubt]] = {}
    for open_doubt in doubts:
        mends = [mend for mend in open_doubt.doubt.mends if mend.fact.name in fields]
        names = [mend.fact.name for mend in mends] or [fact for fact in open_doubt.doubt.rule.facts if fact in fields]
        if not names:
            continue
        name = names[0]
        offers = tuple(
            Offer(as_typed(mend.value, fields[name].kind, system), written(mend.value, fields[name].kind, system))
            for mend in mends
            if mend.fact.name == name
        )[:_MOST_OFFERS]
        if not any(offers == known.offers and offers for known in by_field.get(name, ())):
            by_field.setdefault(name, []).append(FieldDoubt(open_doubt.doubt.sentence, offers))
    return by_field
