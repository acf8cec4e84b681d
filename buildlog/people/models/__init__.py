"""Accounts, invitations, devices and the access log."""

from buildlog.people.models.access_events import AccessEvent
from buildlog.people.models.accounts import Account, Invitation
from buildlog.people.models.devices import DeviceToken
from buildlog.people.models.sign_ins import OpenSignIn

__all__ = [
    "AccessEvent",
    "Account",
    "DeviceToken",
    "Invitation",
    "OpenSignIn",
]
