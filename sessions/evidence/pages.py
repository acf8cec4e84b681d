"""The page of a session: what was measured, and the results."""

from __future__ import annotations

import uuid
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.failures.queries import failure_rows
from buildlog.people.signed_in import SignedInRequest
from buildlog.photos.models import Photo
from calc.ice import CAUTIONS, guideline_rows
from calc.results import grouped
from sessions.evidence.doubts import doubts_of_session
from sessions.evidence.left_out import LeftOut
from sessions.evidence.reader import Evidence
from sessions.evidence.session_results import pass_rows, report_of
from sessions.logs.queries import sessions_with_records
from sessions.outings.models import Session
from sessions.outings.track_parts import track_of


@require_safe
def session(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """One outing: every number that can be worked out, and what is missing for the others."""
    session = get_object_or_404(sessions_with_records().select_related("go_no_go"), pk=pk)
    evidence = Evidence.of_session(session)
    doubts = doubts_of_session(session, evidence)
    report = report_of(evidence, LeftOut(doubts))
    context = {
        "session": session,
        "report": report,
        "doubts": doubts.listed(request.user.unit_system),
        "groups": grouped(report.results),
        "passes": pass_rows(session, evidence),
        "ice": _ice(session),
        "readings": session.readings.all(),
        "failures": failure_rows().filter(session=session),
        "photos": Photo.objects.filter(session=session),
        "track": track_of(session.track_parts.all()),
        "logs": session.logs.all(),
        "card_items": session.test_card_items.select_related("card"),
    }
    return render(request, "evidence/session.html", context)


def _ice(session: Session) -> dict[str, Any] | None:
    """The measured thickness beside published guidelines; None where none was measured."""
    if session.ice_thickness_cm is None:
        return None
    is_white = session.surface == Session.Surface.WHITE_ICE
    rows = guideline_rows(session.ice_thickness_cm, is_white)
    return {
        "short": [row for row in rows if not row.reached],
        "reached": [row for row in rows if row.reached],
        "is_white": is_white,
        "cautions": CAUTIONS,
    }
