"""Recordings of instruments, what their columns mean, formulas over them, and imports that are not done."""

from sessions.logs.models.column_mappings import ColumnMapping
from sessions.logs.models.formula_channels import FormulaChannel
from sessions.logs.models.instruments import Instrument
from sessions.logs.models.log_imports import LogImport
from sessions.logs.models.logs import Log

__all__ = [
    "ColumnMapping",
    "FormulaChannel",
    "Instrument",
    "Log",
    "LogImport",
]
