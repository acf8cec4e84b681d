"""Joining by an invitation, and the account's own settings."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import PasswordChangeForm, UserCreationForm
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from buildlog.people import open_sign_ins, second_factor, sign_in_life, sign_in_limits
from buildlog.people.access_log import note
from buildlog.people.form_pages import form_page
from buildlog.people.known_browsers import remember
from buildlog.people.models import AccessEvent, Account, Invitation
from buildlog.people.password_rules import use_plain_words
from buildlog.people.roles import Role
from buildlog.people.signed_in import SignedInRequest

Kind = AccessEvent.Kind
SHOWN_EVENTS = 20


class NewAccountForm(UserCreationForm[Account]):
    class Meta:
        model = Account
        fields = ["username", "unit_system"]
        labels = {"username": "Name to sign in with"}
        help_texts = {"username": "Letters, digits and @ . + - _, up to 150 of them."}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        use_plain_words(self, "password1", "password2")


class UnitsForm(forms.ModelForm[Account]):
    class Meta:
        model = Account
        fields = ["unit_system", "decimal_sign"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # A page that was opened before there was a choice does not send it.
        self.fields["decimal_sign"].required = False

    def clean_decimal_sign(self) -> str:
        return str(self.cleaned_data["decimal_sign"] or self.initial["decimal_sign"])


class OwnPasswordForm(PasswordChangeForm):
    """Counts wrong old passwords like wrong passwords at sign-in, in case a browser was left open."""

    def __init__(self, request: SignedInRequest, data: Any = None) -> None:
        super().__init__(request.user, data)
        self.request = request
        self.fields["old_password"].label = "Password until now"
        # Whoever opens the page for their units is not taken to the password.
        self.fields["old_password"].widget.attrs.pop("autofocus", None)
        use_plain_words(self, "new_password1", "new_password2")

    def clean_old_password(self) -> str:
        return sign_in_limits.own_password(self.request, self.cleaned_data["old_password"])


class EndForm(forms.Form):
    """The password, said again before sign-ins are ended: somebody may have found this browser open."""

    session_password = forms.CharField(
        label="Your password", strip=False, widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )

    def __init__(self, request: SignedInRequest, data: Any = None) -> None:
        super().__init__(data)
        self.request = request

    def clean_session_password(self) -> str:
        return sign_in_limits.own_password(self.request, self.cleaned_data["session_password"])


@login_not_required
@form_page
def accept_invitation(request: HttpRequest, token: str) -> HttpResponse:
    """Make the one account that an invitation allows."""
    invitation = Invitation.open_for(token)
    if invitation is None:
        return render(request, "people/invitation_gone.html", status=410)
    form = NewAccountForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        with transaction.atomic():
            # One update, not a read before it: of two people with one link, only the first makes an account.
            mine = Invitation.objects.filter(pk=invitation.pk, used_at__isnull=True).update(used_at=timezone.now())
            if not mine:
                return render(request, "people/invitation_gone.html", status=410)
            account = form.save(commit=False)
            account.role = invitation.role
            account.save()
            note(Kind.JOINED, request, account, detail=f"as {Role(account.role).value}")
        login(request, account)
        messages.success(request, f"Welcome, {account.username}.")
        response = redirect("home")
        remember(request, response, account.pk)
        return response
    context = {
        "form": form,
        "role": Role(invitation.role).label,
        "token": token,
        "may_restore": invitation.role == Role.OWNER and not Account.objects.exists(),
    }
    return render(request, "people/invitation.html", context, status=422 if form.is_bound else 200)


@form_page
def account(request: SignedInRequest) -> HttpResponse:
    submitted_form = request.POST.get("form")
    units = UnitsForm(request.POST if submitted_form == "units" else None, instance=request.user)
    password = OwnPasswordForm(request, request.POST if submitted_form == "password" else None)
    if submitted_form == "units" and units.is_valid():
        # Only this column: others of the account may have changed since the request began.
        request.user.save(update_fields=["unit_system", "decimal_sign"])
        messages.success(request, "Saved.")
        return redirect("account")
    if submitted_form == "password" and password.is_valid():
        with transaction.atomic():
            mine = password.save()
            note(Kind.PASSWORD_CHANGED, request, request.user)
        # A new password ends every sign-in of the account; this one gets a new key.
        update_session_auth_hash(request, mine)
        messages.success(request, "Password changed. You are signed out everywhere else.")
        return redirect("account")
    ending = EndForm(request, request.POST if submitted_form == "sessions" else None)
    if submitted_form == "sessions" and ending.is_valid() and request.POST.get("which", "").isdigit():
        row = open_sign_ins.end(request.user, int(request.POST["which"]))
        if row is not None:
            note(Kind.SESSION_ENDED, request, request.user, detail=row.browser)
        messages.success(request, "That sign-in has ended.")
        return redirect("account")
    if submitted_form == "sessions" and ending.is_valid():
        sign_in_life.end_all(request.user)
        update_session_auth_hash(request, request.user)
        note(Kind.SESSIONS_ENDED, request, request.user)
        messages.success(request, "You are signed out everywhere else.")
        return redirect("account")
    context = {
        "units": units,
        "password": password,
        "events": request.user.access_events.select_related("by")[:SHOWN_EVENTS],
        "kept_days": AccessEvent.KEPT_FOR.days,
        "ends_at": sign_in_life.ends_at(request),
        "ending": ending,
        "sign_ins": open_sign_ins.of(request.user),
        "this_key": request.session.session_key,
        "has_codes": second_factor.is_set_up(request.user),
    }
    response = render(request, "people/account.html", context, status=422 if submitted_form else 200)
    return sign_in_limits.with_wait(response, password, ending)
