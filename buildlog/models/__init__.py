"""What is stored of the machines: how they were built and what broke."""

from buildlog.models.accounts import Account, Invitation
from buildlog.models.builds import Fitting, Part, Revision, Vehicle
from buildlog.models.changes import Failure, FailureMode, Modification
from buildlog.models.photos import Photo

__all__ = [
    "Account",
    "Failure",
    "FailureMode",
    "Fitting",
    "Invitation",
    "Modification",
    "Part",
    "Photo",
    "Revision",
    "Vehicle",
]
