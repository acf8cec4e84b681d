"""Venues, sessions, and what was timed and read."""

from sessions.outings.models.assumptions import Assumptions
from sessions.outings.models.go_no_go import GoNoGoCheck
from sessions.outings.models.outings import Pass, Session
from sessions.outings.models.places import Gate, GateMark, Venue
from sessions.outings.models.readings import Reading
from sessions.outings.models.tracks import TrackPart
from sessions.outings.models.two_phones import MarkTap
from sessions.outings.models.voice import VoiceNote

__all__ = [
    "Assumptions",
    "Gate",
    "GateMark",
    "GoNoGoCheck",
    "MarkTap",
    "Pass",
    "Reading",
    "Session",
    "TrackPart",
    "Venue",
    "VoiceNote",
]
