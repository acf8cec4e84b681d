"""Failures, their modes and causes, and the changes that answer them."""

from buildlog.failures.models.causes import Cause, Evidence
from buildlog.failures.models.failures import Failure, FailureChange, FailureMode, Modification

__all__ = [
    "Cause",
    "Evidence",
    "Failure",
    "FailureChange",
    "FailureMode",
    "Modification",
]
