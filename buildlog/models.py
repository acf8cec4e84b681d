"""What is stored of the machines: how they were built and what broke."""

from buildlog.failures.models import (
    Cause,
    Evidence,
    Failure,
    FailureChange,
    FailureMode,
    ModeChange,
    Modification,
    SignOff,
    Verification,
)
from buildlog.machines.balance_tests import BalanceTest
from buildlog.machines.confirmations import Confirmation
from buildlog.machines.individuals import Individual, IndividualFitting
from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.people.models import AccessEvent, Account, DeviceToken, Invitation, OpenSignIn
from buildlog.photos.models import Photo
from buildlog.records.models import Change, MadeRecord, Removal, RemovedRecord
from buildlog.upkeep.models import UpkeepCheck, UpkeepItem

__all__ = [
    "AccessEvent",
    "Account",
    "BalanceTest",
    "Cause",
    "Change",
    "Confirmation",
    "DeviceToken",
    "Evidence",
    "Failure",
    "FailureChange",
    "FailureMode",
    "Fitting",
    "Individual",
    "IndividualFitting",
    "Invitation",
    "MadeRecord",
    "ModeChange",
    "Modification",
    "OpenSignIn",
    "Part",
    "Photo",
    "Removal",
    "RemovedRecord",
    "Revision",
    "SignOff",
    "UpkeepCheck",
    "UpkeepItem",
    "Vehicle",
    "Verification",
]
