"""What is stored of what happened out there."""

from sessions.bench.models import TestCard, TestCardItem
from sessions.bench.release_models import AcceptedPoint, Release
from sessions.logs.models import ColumnMapping, FormulaChannel, Instrument, Log, LogImport
from sessions.outings.models import (
    Assumptions,
    Gate,
    GateMark,
    GoNoGoCheck,
    MarkTap,
    Pass,
    Reading,
    Session,
    TrackPart,
    Venue,
    VoiceNote,
)
from sessions.sharing.models import NotebookImport, ShareLink
from sessions.trials.models import Trial

__all__ = [
    "AcceptedPoint",
    "Assumptions",
    "ColumnMapping",
    "FormulaChannel",
    "Gate",
    "GateMark",
    "GoNoGoCheck",
    "Instrument",
    "Log",
    "LogImport",
    "MarkTap",
    "NotebookImport",
    "Pass",
    "Reading",
    "Release",
    "Session",
    "ShareLink",
    "TestCard",
    "TestCardItem",
    "TrackPart",
    "Trial",
    "Venue",
    "VoiceNote",
]
