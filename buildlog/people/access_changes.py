"""Changing what a person may do. One owner who can come in always stays."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.db import transaction

from buildlog.people import sign_in_life
from buildlog.people.access_log import note
from buildlog.people.models import AccessEvent, Account
from buildlog.people.roles import Role
from buildlog.people.signed_in import SignedInRequest

Kind = AccessEvent.Kind


class LastOwner(ValidationError):
    """Nobody would be left who may admit others."""

    def __init__(self) -> None:
        super().__init__("This is the only owner who can come in. Make somebody else an owner first.")


class ChangedMeanwhile(ValidationError):
    """Somebody else gave the account another role since the page was opened."""

    def __init__(self, account: Account, role: str) -> None:
        super().__init__(
            f"{account.username} is here as {short(account.get_role_display()).lower()} now: somebody changed it since "
            f"this page was opened. You chose {short(Role(role).label).lower()}; choose again if it still holds."
        )


@transaction.atomic
def change_role(request: SignedInRequest, account: Account, role: str, began_from: str = "") -> None:
    """Give an account a role; `began_from` is the one it had when somebody chose, where that is known.

    Raises LastOwner when the account is the last owner and would be one no longer, ChangedMeanwhile when
    it has neither the role that was chosen from nor the new one.
    """
    # What the request read before is old where another owner was faster.
    account.refresh_from_db(fields=["role"], from_queryset=Account.objects.select_for_update())
    if role == account.role:
        return
    if began_from and account.role != began_from:
        raise ChangedMeanwhile(account, role)
    if role != Role.OWNER:
        _another_owner_stays(account)
    before, account.role = account.get_role_display(), role
    account.save(update_fields=["role"])
    words = f"{short(before)} → {short(account.get_role_display())}"
    note(Kind.ROLE_CHANGED, request, account, by=request.user, detail=words)


@transaction.atomic
def shut(request: SignedInRequest, account: Account) -> None:
    """The account can come in no longer; its sign-ins, its devices' keys and its shared links stop at once."""
    _another_owner_stays(account)
    account.is_active = False
    account.save(update_fields=["is_active"])
    sign_in_life.end_all(account)
    note(Kind.SHUT, request, account, by=request.user)


@transaction.atomic
def open_again(request: SignedInRequest, account: Account) -> None:
    account.is_active = True
    account.save(update_fields=["is_active"])
    note(Kind.OPENED, request, account, by=request.user)


def end_sessions(request: SignedInRequest, account: Account) -> None:
    sign_in_life.end_all(account)
    note(Kind.SESSIONS_ENDED, request, account, by=request.user)


def _another_owner_stays(account: Account) -> None:
    # Locked, so that two owners who step down at one moment cannot both find the other.
    owners = set(
        Account.objects.select_for_update().filter(role=Role.OWNER, is_active=True).values_list("pk", flat=True)
    )
    if account.pk in owners and owners == {account.pk}:
        raise LastOwner


def short(label: str) -> str:
    """A role's name without what it may do."""
    return label.split(":")[0]
