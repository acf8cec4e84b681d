"""The people of an installation as a list: searched, narrowed, in an order, and as a file; and who is invited."""

from __future__ import annotations

from collections.abc import Iterable

from django import forms
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from buildlog.people.absolute_urls import absolute_url
from buildlog.people.access_log import note
from buildlog.people.form_pages import form_page
from buildlog.people.models import AccessEvent, Account, Invitation
from buildlog.people.roles import Right, Role, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.list_query import Filter, ListQuery, csv_answer

SORTS = (("name", "By name"), ("seen", "Signed in last first"), ("joined", "Newest first"))
ORDERS = {
    "name": (F("username").asc(),),
    "seen": (F("last_login").desc(nulls_last=True), F("username").asc()),
    "joined": (F("date_joined").desc(), F("username").asc()),
}
OPEN, CLOSED = "open", "closed"


class InvitationForm(forms.Form):
    role = forms.ChoiceField(choices=[choice for choice in Role.choices if choice[0] != Role.OWNER])


@form_page
@needs(Right.ADMIT)
def people(request: SignedInRequest) -> HttpResponse:
    """Accounts and invitations; a new invitation's link is shown once, because only its hash is stored."""
    query = _query(request)
    accounts = _accounts(query)
    if query.is_export:
        return _as_csv(accounts)
    form = InvitationForm(request.POST or None)
    link = ""
    if request.method == "POST" and form.is_valid():
        role = form.cleaned_data["role"]
        link = absolute_url("invitation", Invitation.issue(role, request.user), request=request)
        note(AccessEvent.Kind.INVITED, request, request.user, detail=f"as {Role(role).value}")
    context = {
        "form": form,
        "link": link,
        "query": query,
        "accounts": accounts,
        "invitations": Invitation.open().order_by("expires_at"),
    }
    return render(request, "people/people.html", context, status=422 if form.errors else 200)


def _query(request: HttpRequest) -> ListQuery:
    roles = Filter("role", "Role", [(role.value, role.label.partition(":")[0]) for role in Role])
    access = Filter("access", "Access", [(OPEN, "May sign in"), (CLOSED, "Closed")])
    return ListQuery(request.GET, [roles, access], SORTS)


def _accounts(query: ListQuery) -> list[Account]:
    rows = Account.objects.order_by(*ORDERS[query.sort])
    for word in query.words:
        rows = rows.filter(username__icontains=word)
    if query.chosen("role"):
        rows = rows.filter(role=query.chosen("role"))
    if query.chosen("access"):
        rows = rows.filter(is_active=query.chosen("access") == OPEN)
    return list(rows)


def _as_csv(accounts: Iterable[Account]) -> HttpResponse:
    table = (
        [
            account.username,
            account.role,
            OPEN if account.is_active else CLOSED,
            account.date_joined.isoformat(),
            account.last_login.isoformat() if account.last_login else "",
        ]
        for account in accounts
    )
    return csv_answer("people", ["name", "role", "access", "joined", "signed_in_last"], table)
