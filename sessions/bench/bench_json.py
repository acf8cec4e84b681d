"""The bench as the programming interface gives it: the words and numbers of the page."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from buildlog.failures.models import Modification
from calc.trials.answers import Outcome
from sessions.bench.machine_bench import Bench
from sessions.bench.mode_rows import CycleRate, ModeRow
from sessions.bench.next_tests import SHOWN_IN_JSON, Question, questions_of
from sessions.bench.verdicts import Verdict


def bench_json(bench: Bench, system: str = "metric") -> dict[str, Any]:
    return {
        "next": [_step(question) for question in questions_of(bench, system) if question.kind in SHOWN_IN_JSON],
        "modes": [_mode(row, bench) for row in bench.modes],
        "trials": [*(_trial(verdict) for verdict in _trials(bench.verdicts)), *_open_trials(bench)],
    }


def _step(question: Question) -> dict[str, Any]:
    row = question.mode
    return {
        "kind": str(question.kind),
        "sentence": f"{question.what}. {question.why}",
        "revision": question.revision.number if question.revision else None,
        "severity": row.severity if row else None,
        "mode": row.mode if row else None,
        "mode_name": row.name if row else None,
        "trial": question.trial.trial.pk if question.trial else None,
    }


def _mode(row: ModeRow, bench: Bench) -> dict[str, Any]:
    total, rate = bench.exposure.total, row.per_100_km
    return {
        "mode": row.mode,
        "mode_name": row.name,
        "state": str(row.state),
        "failures": len(row.failures),
        "rate_per_100_km": rate.estimate if rate else None,
        "lower": rate.lower if rate else None,
        "upper": rate.upper if rate else None,
        "exposure": {
            "known_m": total.distance_m,
            "estimated_m": total.estimated_m,
            "unknown_rides": total.without_distance,
            "runtime_s": total.runtime_s,
        },
        "cycles": _cycles(row.cycles),
        "fixes": [
            {
                "modification": fix.modification.pk,
                "modification_name": fix.modification.title,
                "answer": str(fix.outcome),
                "since_m": fix.since_m,
            }
            for fix in row.fixes
        ],
        "may_be_held": row.may_be_held,
    }


def _cycles(rate: CycleRate | None) -> dict[str, Any] | None:
    """By the cycles of the part that fails; null where no part of the mode counts them."""
    if rate is None:
        return None
    return {
        "part": rate.part.pk,
        "part_name": rate.part.name,
        "kind": rate.part.counts_cycles,
        "least": rate.least,
        "most": rate.most,
        "rate_per_100": rate.per_100.estimate if rate.per_100 else None,
        "lower": rate.per_100.lower if rate.per_100 else None,
        "upper": rate.per_100.upper if rate.per_100 else None,
    }


def _trials(verdicts: Iterable[Verdict]) -> list[Verdict]:
    """Rates of failures are judged with the fixes of each mode."""
    return [
        verdict for verdict in verdicts if verdict.modification.expected_measure != Modification.Measure.FAILURE_RATE
    ]


def _open_trials(bench: Bench) -> list[dict[str, Any]]:
    """Trials that no modification asks; those of modifications are with the verdicts."""
    listed = {verdict.trial for verdict in bench.verdicts}
    return [
        {
            "modification": row.trial.modification_id,
            "modification_name": None,
            "trial": row.trial.pk,
            "measure": row.trial.measure,
            "answer": str(Outcome.NOT_YET_KNOWN),
            "change": figures.change if figures else None,
            "lower": figures.lower if figures else None,
            "upper": figures.upper if figures else None,
            "more_sessions": row.answered.more_sessions,
        }
        for row in bench.trials
        if row.trial.pk not in listed
        for figures in [row.answered.result.figures]
    ]


def _trial(verdict: Verdict) -> dict[str, Any]:
    return {
        "modification": verdict.modification.pk,
        "modification_name": verdict.modification.title,
        "trial": verdict.trial,
        "measure": verdict.measure or verdict.modification.expected_measure,
        "answer": str(verdict.outcome),
        "change": verdict.change,
        "lower": verdict.lower,
        "upper": verdict.upper,
        "more_sessions": verdict.more_sessions,
    }
