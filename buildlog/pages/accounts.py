"""Coming in: the one-time link, the account's own settings, and who else may come in."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import PasswordChangeForm, UserCreationForm
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from buildlog.models import Account, Invitation
from buildlog.roles import Right, Role, needs

form_page = require_http_methods(["GET", "HEAD", "POST"])


class NewAccountForm(UserCreationForm):
    class Meta:
        model = Account
        fields = ["username", "unit_system"]


class UnitsForm(forms.ModelForm):
    class Meta:
        model = Account
        fields = ["unit_system"]


class InvitationForm(forms.Form):
    role = forms.ChoiceField(choices=[choice for choice in Role.choices if choice[0] != Role.OWNER])


@login_not_required
@form_page
def accept_invitation(request: HttpRequest, token: str) -> HttpResponse:
    """Make the one account that an invitation allows."""
    invitation = Invitation.open_for(token)
    if invitation is None:
        return render(request, "buildlog/invitation_gone.html", status=410)
    form = NewAccountForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        with transaction.atomic():
            # Counted, not read before: of two people with one link, only the first makes an account.
            mine = Invitation.objects.filter(pk=invitation.pk, used_at__isnull=True).update(used_at=timezone.now())
            if not mine:
                return render(request, "buildlog/invitation_gone.html", status=410)
            account = form.save(commit=False)
            account.role = invitation.role
            account.is_staff = account.is_superuser = invitation.role == Role.OWNER
            account.save()
        login(request, account)
        messages.success(request, f"Welcome, {account.username}.")
        return redirect("home")
    context = {"form": form, "role": Role(invitation.role).label}
    return render(request, "buildlog/invitation.html", context, status=422 if form.is_bound else 200)


@form_page
def account(request: HttpRequest) -> HttpResponse:
    asked = request.POST.get("form")
    units = UnitsForm(request.POST if asked == "units" else None, instance=request.user)
    password = PasswordChangeForm(request.user, request.POST if asked == "password" else None)
    if asked == "units" and units.is_valid():
        units.save()
        messages.success(request, "Units saved.")
        return redirect("account")
    if asked == "password" and password.is_valid():
        update_session_auth_hash(request, password.save())
        messages.success(request, "Password changed.")
        return redirect("account")
    status = 422 if asked else 200
    return render(request, "buildlog/account.html", {"units": units, "password": password}, status=status)


@form_page
@needs(Right.ADMIT)
def people(request: HttpRequest) -> HttpResponse:
    """Who may come in; a new invitation's link is shown once, because only its hash is stored."""
    form = InvitationForm(request.POST or None)
    link = ""
    if request.method == "POST" and form.is_valid():
        link = request.build_absolute_uri(f"/invitation/{Invitation.issue(form.cleaned_data['role'])}/")
    context = {"form": form, "link": link, "accounts": Account.objects.order_by("username")}
    return render(request, "buildlog/people.html", context, status=422 if form.errors else 200)
