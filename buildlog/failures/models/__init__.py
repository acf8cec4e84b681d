"""Failures, their modes and causes, the changes that answer them, and what shows that these hold."""

from buildlog.failures.models.causes import Cause, Evidence
from buildlog.failures.models.failures import Failure, FailureChange, Modification
from buildlog.failures.models.modes import FailureMode, ModeChange
from buildlog.failures.models.verifications import SignOff, Verification

__all__ = [
    "Cause",
    "Evidence",
    "Failure",
    "FailureChange",
    "FailureMode",
    "ModeChange",
    "Modification",
    "SignOff",
    "Verification",
]
