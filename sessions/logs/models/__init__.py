"""Recordings of instruments, the mappings of their columns, and imports that are not done."""

from sessions.logs.models.column_mappings import ColumnMapping
from sessions.logs.models.log_imports import LogImport
from sessions.logs.models.logs import Log

__all__ = [
    "ColumnMapping",
    "Log",
    "LogImport",
]
