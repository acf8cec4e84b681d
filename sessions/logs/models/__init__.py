"""Recordings of instruments, and the mappings of their columns."""

from sessions.logs.models.column_mappings import ColumnMapping
from sessions.logs.models.logs import Log

__all__ = [
    "ColumnMapping",
    "Log",
]
