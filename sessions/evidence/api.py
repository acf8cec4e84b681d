"""The results of a session, as its page shows them."""

from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema

from buildlog.records.api import WorkedOut
from calc.results import plain
from sessions.evidence.reader import Evidence
from sessions.outings.models import Session


@extend_schema(responses=OpenApiTypes.OBJECT)
class SessionResults(WorkedOut):
    """Every result with its unit, uncertainty and evidence; those without a value say what they need."""

    queryset = Session.objects.all()
    machine_path = "revision__vehicle"

    def answer(self, record: Session) -> dict[str, Any]:
        report = Evidence.of_session(record).reports[0]
        return {
            "session": record.pk,
            "results": [plain(result) for result in report.results],
            "missing": [plain(result) for result in report.missing],
        }
