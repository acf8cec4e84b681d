"""What is stored of what happened out there."""

from sessions.models.assumptions import Assumptions
from sessions.models.cards import TestCard, TestCardItem
from sessions.models.checks import GoNoGoCheck
from sessions.models.column_mappings import ColumnMapping
from sessions.models.logs import Log
from sessions.models.outings import Pass, Reading, Session
from sessions.models.places import Gate, GateMark, Venue
from sessions.models.shares import ShareLink
from sessions.models.tracks import TrackPart

__all__ = [
    "Assumptions",
    "ColumnMapping",
    "Gate",
    "GateMark",
    "GoNoGoCheck",
    "Log",
    "Pass",
    "Reading",
    "Session",
    "ShareLink",
    "TestCard",
    "TestCardItem",
    "TrackPart",
    "Venue",
]
