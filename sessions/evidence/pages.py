"""The page of a session: what was measured, and the results."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.failures.loop import note_states
from buildlog.failures.queries import failure_list
from buildlog.people.signed_in import SignedInRequest
from buildlog.photos.models import Photo
from calc.ice import CAUTIONS, guideline_rows
from calc.results import Result, cautions, grouped
from sessions.evidence.doubts import doubts_of_session
from sessions.evidence.headline import earlier_evidence, headlines, limit_bars, picture_of_passes
from sessions.evidence.left_out import LeftOut
from sessions.evidence.reader import Evidence
from sessions.evidence.session_results import pass_rows, report_of
from sessions.logs.first_picture import ride_of
from sessions.logs.queries import sessions_with_records
from sessions.outings.models import Session
from sessions.outings.models.two_phones import unpaired_marks
from sessions.outings.track_parts import track_of

LEDGER = ("Speed", "Energy", "Range")
"""What is listed unfolded; margins are bars, and everything is below with its method."""


def _first_sentences(results: Iterable[Result]) -> list[str]:
    """Of each caution the first sentence; the whole of it stands with its results, which are folded."""
    return [text.partition(". ")[0].removesuffix(".") + "." for text in cautions(results)]


@require_safe
def session(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """One outing: every number that can be worked out, and what is missing for the others."""
    session = get_object_or_404(sessions_with_records().select_related("go_no_go"), pk=pk)
    evidence = Evidence.of_session(session)
    doubts = doubts_of_session(session, evidence)
    left_out = LeftOut(doubts)
    report = report_of(evidence, left_out)
    system = request.user.unit_system
    passes = pass_rows(session, evidence, left_out)
    earlier = earlier_evidence(session)
    first = headlines(report, earlier, system)
    named = {headline.result.key for headline in first}
    nearest = limit_bars(report.results)
    near_cautions = _first_sentences(bar.result for bar in nearest)
    unfolded = [result for result in report.results if result.declaration.group in LEDGER]
    failures = list(failure_list().filter(session=session))
    note_states(failures)
    context = {
        "session": session,
        "report": report,
        "doubts": doubts.listed(system),
        "headlines": first,
        "earlier_count": max((headline.earlier_count for headline in first), default=0),
        "earlier": earlier.key(earlier.count - 1) if earlier.count else None,
        "later": _later(session),
        "ledger": [result for result in unfolded if result.key not in named],
        "cautions": [text for text in _first_sentences(unfolded) if text not in near_cautions],
        "nearest": nearest,
        "near_cautions": near_cautions,
        "groups": grouped(report.results),
        "passes": passes,
        "pass_dots": picture_of_passes(passes, report.get("two_way_mean_speed"), system),
        "ice": _ice(session, left_out.facts_of_sessions(evidence.text)),
        "readings": session.readings.all(),
        "failures": failures,
        "photos": Photo.objects.filter(session=session),
        "voice_notes": session.voice_notes.all(),
        "unpaired": unpaired_marks(session),
        "track": track_of(session.track_parts.all()),
        "logs": session.logs.all(),
        "ride": ride_of(session, system, failures),
        "card_items": session.test_card_items.select_related("card"),
    }
    return render(request, "evidence/session.html", context)


def _later(session: Session) -> uuid.UUID | None:
    """The key of the machine's session right after this one."""
    after = Session.objects.filter(
        revision__vehicle=session.revision.vehicle_id, started_at__gt=session.started_at
    ).order_by("started_at", "pk")
    return after.values_list("pk", flat=True).first()


def _ice(session: Session, doubted: dict[str, Any]) -> dict[str, Any] | None:
    """The measured thickness beside published guidelines; None where none was measured.

    One in doubt reaches none of them: it may be a slip, and thinner.
    """
    if session.ice_thickness_cm is None:
        return None
    is_white = session.surface == Session.Surface.WHITE_ICE
    rows = guideline_rows(session.ice_thickness_cm, is_white)
    in_doubt = bool(doubted.get("ice_thickness_cm", [False])[0])
    return {
        "short": [row for row in rows if not row.reached],
        "reached": [row for row in rows if row.reached and not in_doubt],
        "in_doubt": in_doubt,
        "is_white": is_white,
        "cautions": CAUTIONS,
    }
