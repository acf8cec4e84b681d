"""What is stored of the machines: how they were built and what broke."""

from buildlog.models.access_events import AccessEvent
from buildlog.models.accounts import Account, Invitation
from buildlog.models.builds import Fitting, Part, Revision, Vehicle
from buildlog.models.causes import Cause, Evidence
from buildlog.models.changes import Failure, FailureChange, FailureMode, Modification
from buildlog.models.devices import DeviceToken
from buildlog.models.makers import MadeRecord
from buildlog.models.photos import Photo
from buildlog.models.removals import RemovedRecord

__all__ = [
    "AccessEvent",
    "Account",
    "Cause",
    "DeviceToken",
    "Evidence",
    "Failure",
    "FailureChange",
    "FailureMode",
    "Fitting",
    "Invitation",
    "MadeRecord",
    "Modification",
    "Part",
    "Photo",
    "RemovedRecord",
    "Revision",
    "Vehicle",
]
