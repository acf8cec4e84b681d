"""Recordings of instruments, and what their columns were taken for."""

from sessions.logs.models.column_mappings import ColumnMapping
from sessions.logs.models.logs import Log

__all__ = [
    "ColumnMapping",
    "Log",
]
