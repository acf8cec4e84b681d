"""A person: role and access; the end of an invitation; and the access log."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from buildlog.people import access_changes, second_factor
from buildlog.people.access_log import note
from buildlog.people.form_pages import form_page
from buildlog.people.models import AccessEvent, Account, DeviceToken, Invitation
from buildlog.people.password_links import link_for
from buildlog.people.roles import Right, Role, needs
from buildlog.people.signed_in import SignedInRequest

Kind = AccessEvent.Kind
SHOWN_EVENTS = 20


class RoleForm(forms.Form):
    role = forms.ChoiceField(choices=Role.choices)
    began_from = forms.CharField(widget=forms.HiddenInput, required=False)


@require_POST
@needs(Right.ADMIT)
def end_invitation(request: SignedInRequest, pk: int) -> HttpResponse:
    invitation = get_object_or_404(Invitation.open(), pk=pk)
    invitation.delete()
    note(Kind.INVITATION_ENDED, request, request.user, detail=f"as {invitation.role}")
    messages.success(request, "The invitation was ended.")
    return redirect("people")


@form_page
@needs(Right.ADMIT)
def person(request: SignedInRequest, pk: int) -> HttpResponse:
    """One person: role, access, sign-ins, and a link for a new password."""
    account = get_object_or_404(Account, pk=pk)
    submitted_form = request.POST.get("form", "")
    initial = {"role": account.role, "began_from": account.role}
    form = RoleForm(request.POST if submitted_form == "role" else None, initial=initial)
    link = ""
    if submitted_form == "password" and account.is_active and account.role != Role.OWNER:
        link = link_for(account, request=request)
        note(Kind.PASSWORD_LINK, request, account, by=request.user)
    elif submitted_form:
        try:
            message = _change(request, account, submitted_form, form)
        except ValidationError as error:
            messages.warning(request, " ".join(error.messages))
            return redirect("person", pk)
        if message:
            messages.success(request, message)
            # An owner who stepped down may no longer open this page.
            return redirect("home") if account == request.user else redirect("person", pk)
    context = {
        "person": account,
        "form": form,
        "link": link,
        "events": account.access_events.select_related("by")[:SHOWN_EVENTS],
        "devices": DeviceToken.objects.filter(account=account, revoked_at__isnull=True).select_related("vehicle"),
        "kept_days": AccessEvent.KEPT_FOR.days,
        "has_codes": second_factor.is_set_up(account),
    }
    return render(request, "people/person.html", context, status=422 if request.POST and not link else 200)


def _change(request: SignedInRequest, account: Account, submitted_form: str, form: RoleForm) -> str:
    """Do what the submitted form asks for and return a sentence for it; "" for an unknown or invalid form."""
    if submitted_form == "role" and form.is_valid():
        access_changes.change_role(request, account, form.cleaned_data["role"], form.cleaned_data["began_from"])
        return f"{account.username} is here as {access_changes.short(account.get_role_display()).lower()} now."
    if submitted_form == "shut":
        access_changes.close_account(request, account)
        return f"{account.username} can no longer sign in."
    if submitted_form == "open":
        access_changes.reopen_account(request, account)
        return f"{account.username} can sign in again."
    if submitted_form == "codes" and account.role != Role.OWNER:
        access_changes.remove_codes(request, account)
        return f"{account.username} signs in by the password alone now."
    if submitted_form == "sessions":
        access_changes.end_sessions(request, account)
        return f"{account.username} is signed out everywhere."
    return ""


@needs(Right.ADMIT)
@require_safe
def access_log(request: SignedInRequest) -> HttpResponse:
    events = AccessEvent.objects.select_related("account", "by")
    page = Paginator(events, 100).get_page(request.GET.get("page"))
    return render(request, "people/access_log.html", {"page": page, "kept_days": AccessEvent.KEPT_FOR.days})
