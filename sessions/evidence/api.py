"""The results of a session, as its page shows them."""

from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema

from buildlog.records.api import WorkedOut
from calc.results import plain
from sessions.evidence.doubts import as_json, doubts_of_session
from sessions.evidence.left_out import LeftOut
from sessions.evidence.reader import Evidence
from sessions.evidence.session_results import report_of
from sessions.outings.models import Session


@extend_schema(responses=OpenApiTypes.OBJECT)
class SessionResults(WorkedOut):
    """Every result with its unit, uncertainty and evidence; those without a value say what they need.

    `doubts` are those of the session and of what belongs to it. A result that rests on a value in doubt says so in
    `doubt`; such a value makes neither a margin nor the way to turn back less careful.
    """

    queryset = Session.objects.all()
    machine_path = "revision__vehicle"

    def answer(self, record: Session) -> dict[str, Any]:
        evidence = Evidence.of_session(record)
        doubts = doubts_of_session(record, evidence)
        report = report_of(evidence, LeftOut(doubts))
        return {
            "session": record.pk,
            "doubts": [
                {"subject": open_doubt.subject, "record": open_doubt.record, **as_json(open_doubt)}
                for open_doubt in doubts.listed()
            ],
            "results": [plain(result) for result in report.results],
            "missing": [plain(result) for result in report.missing],
        }
