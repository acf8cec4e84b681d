"""Changing a person's rights. There is always one owner who can sign in."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.db import transaction

from buildlog.people import second_factor, sign_in_life
from buildlog.people.access_log import note
from buildlog.people.models import AccessEvent, Account
from buildlog.people.roles import Role
from buildlog.people.signed_in import SignedInRequest

Kind = AccessEvent.Kind


class LastOwner(ValidationError):
    """The change would leave nobody who may admit others."""

    def __init__(self) -> None:
        super().__init__("This is the only owner who can sign in. Make somebody else an owner first.")


class ChangedMeanwhile(ValidationError):
    """The account's role changed after the page was opened."""

    def __init__(self, account: Account, role: str) -> None:
        super().__init__(
            f"{account.username} is here as {short(account.get_role_display()).lower()} now: somebody changed it since "
            f"this page was opened. You chose {short(Role(role).label).lower()}; choose again if it still holds."
        )


@transaction.atomic
def change_role(request: SignedInRequest, account: Account, role: str, began_from: str = "") -> None:
    """Give an account a role; `began_from` is its role when the page was opened, if known.

    Raises LastOwner when the account is the last owner and the role is another; ChangedMeanwhile when the account
    has neither the role `began_from` nor the new one.
    """
    # Another owner may have changed the role since this request read it.
    account.refresh_from_db(fields=["role"], from_queryset=Account.objects.select_for_update())
    if role == account.role:
        return
    if began_from and account.role != began_from:
        raise ChangedMeanwhile(account, role)
    if role != Role.OWNER:
        _check_another_owner(account)
    before, account.role = account.get_role_display(), role
    account.save(update_fields=["role"])
    detail = f"{short(before)} → {short(account.get_role_display())}"
    note(Kind.ROLE_CHANGED, request, account, by=request.user, detail=detail)


@transaction.atomic
def close_account(request: SignedInRequest, account: Account) -> None:
    """Keep the account from signing in; its sign-ins, its devices' keys and its shared links stop at once."""
    _check_another_owner(account)
    account.is_active = False
    account.save(update_fields=["is_active"])
    sign_in_life.end_all(account)
    note(Kind.SHUT, request, account, by=request.user)


@transaction.atomic
def reopen_account(request: SignedInRequest, account: Account) -> None:
    account.is_active = True
    account.save(update_fields=["is_active"])
    note(Kind.OPENED, request, account, by=request.user)


def end_sessions(request: SignedInRequest, account: Account) -> None:
    sign_in_life.end_all(account)
    note(Kind.SESSIONS_ENDED, request, account, by=request.user)


def remove_codes(request: SignedInRequest, account: Account) -> None:
    """For a lost phone: the account signs in by its password alone again, and is signed out everywhere."""
    second_factor.remove(account)
    sign_in_life.end_all(account)
    note(Kind.FACTOR_OFF, request, account, by=request.user)


def _check_another_owner(account: Account) -> None:
    # Locked, so that two owners who step down at the same time cannot both pass.
    owners = set(
        Account.objects.select_for_update().filter(role=Role.OWNER, is_active=True).values_list("pk", flat=True)
    )
    if account.pk in owners and owners == {account.pk}:
        raise LastOwner


def short(label: str) -> str:
    """A role's name without what it may do."""
    return label.split(":")[0]
