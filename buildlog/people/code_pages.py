"""Signing in with a one-time code, and setting codes up."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.safestring import mark_safe
from django.views.decorators.cache import never_cache

from buildlog.people import second_factor, sign_in_life, sign_in_limits
from buildlog.people.access_log import hash_of_name, note
from buildlog.people.form_pages import form_page
from buildlog.people.known_browsers import browser_of, remember
from buildlog.people.models import AccessEvent, Account
from buildlog.people.signed_in import SignedInRequest

Kind = AccessEvent.Kind
BACKEND = "django.contrib.auth.backends.ModelBackend"


def code_field(label: str) -> forms.CharField:
    attributes = {"autocomplete": "one-time-code", "inputmode": "text", "spellcheck": "false", "autocapitalize": "none"}
    return forms.CharField(label=label, max_length=60, widget=forms.TextInput(attrs=attributes))


class CodeForm(forms.Form):
    code = code_field("One-time code, or a recovery code")

    def __init__(self, request: HttpRequest, account: Account, *args: Any) -> None:
        super().__init__(*args)
        self.request, self.account = request, account
        self.is_recovery = False

    def clean_code(self) -> str:
        code: str = self.cleaned_data["code"]
        self.is_recovery = check_code(self.request, self.account, code)
        return code


def check_code(request: HttpRequest, account: Account, code: str) -> bool:
    """Whether it is a recovery code, which then is used up. Raises ValidationError for a wrong one.

    Wrong codes are counted apart from wrong passwords. A recovery code has no limit: nobody guesses one, and it must
    open also while somebody guesses at codes.
    """
    if second_factor.is_recovery_code(code):
        if second_factor.use_recovery_code(account, code):
            note(Kind.RECOVERY_USED, request, account)
            return True
        note(Kind.WRONG_CODE, request, account, detail="recovery code")
        raise ValidationError("This is no recovery code of yours, or it was used already. Take another.")
    attempt = sign_in_limits.begin_code(request, account)
    if attempt.wait_s:
        words = sign_in_limits.sentence_for_codes(attempt.wait_s)
        raise ValidationError(words, code="too_many", params={"wait_s": attempt.wait_s})
    if not second_factor.is_right_code(account, code):
        raise ValidationError(
            "This code is not right, or was used already. Codes change every 30 seconds: wait for the next one. Is the "
            "clock of your phone, or of this machine, wrong?"
        )
    attempt.was_right()
    return False


@login_not_required
@never_cache
@form_page
def sign_in_code(request: HttpRequest) -> HttpResponse:
    """The second step of signing in, after the password."""
    account = second_factor.waiting_account(request)
    if account is None:
        return redirect("sign_in")
    form = CodeForm(request, account, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        following = request.session.pop(second_factor.WAITING)["next"]
        browser = browser_of(request)
        login(request, account, BACKEND)
        request.session[second_factor.GIVEN] = True
        nonce = browser.nonce if account.pk in browser.accounts else ""
        note(Kind.SIGNED_IN, request, account, name_hash=hash_of_name(account.username), known_browser=nonce)
        if form.is_recovery:
            left = second_factor.recovery_codes_left(account)
            messages.warning(request, f"A recovery code was used; {left} are left. Make new ones when few are.")
        response = redirect(following)
        remember(request, response, account.pk)
        return response
    return sign_in_limits.with_wait(render(request, "people/sign_in_code.html", {"form": form}), form)


class ChangeForm(forms.Form):
    """Says the password again, and, where codes are in use, a code of now."""

    password = forms.CharField(
        label="Your password", strip=False, widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )

    def __init__(self, request: SignedInRequest, *args: Any, with_code: str = "") -> None:
        super().__init__(*args)
        self.request = request
        if with_code:
            self.fields["code"] = code_field(with_code)

    def clean_password(self) -> str:
        return sign_in_limits.own_password(self.request, self.cleaned_data["password"])


@never_cache
@form_page
def one_time_codes(request: SignedInRequest) -> HttpResponse:
    """Set codes up, make new recovery codes, or take codes away."""
    account, wanted = request.user, request.POST.get("form", "")
    in_use = second_factor.is_set_up(account)
    label = "A code that the app shows now" if not in_use else "One-time code, or a recovery code"
    form = ChangeForm(request, request.POST if wanted else None, with_code=label)
    codes: list[str] = []
    if wanted and form.is_valid():
        try:
            if not in_use:
                codes = _set_up(request, form.cleaned_data["code"])
            else:
                check_code(request, account, form.cleaned_data["code"])
                if wanted == "recovery":
                    codes = second_factor.new_recovery_codes(account)
                    note(Kind.RECOVERY_MADE, request, account)
                    messages.success(request, "There are new recovery codes. The earlier ones open nothing any more.")
                elif wanted == "remove":
                    return _take_away(request)
        except ValidationError as error:
            form.add_error("code", error)
    in_use = in_use or bool(codes)
    context: dict[str, Any] = {
        "form": form,
        "in_use": in_use,
        "codes": codes,
        "left": second_factor.recovery_codes_left(account) if in_use else 0,
        "demanded": second_factor.is_demanded(account),
    }
    if not in_use:
        device = second_factor.begin(account)
        # Drawn by the library from the key and the account's name, which it encodes.
        context |= {"picture": mark_safe(second_factor.picture(device)), "key": second_factor.key_in_groups(device)}
    answer = render(request, "people/one_time_codes.html", context, status=422 if form.errors else 200)
    return sign_in_limits.with_wait(answer, form)


def _set_up(request: SignedInRequest, code: str) -> list[str]:
    """The recovery codes. Raises ValidationError for a wrong code."""
    if not second_factor.confirm(request.user, code):
        raise ValidationError("This code is not right. Read the square again with the app, and type what it shows now.")
    codes = second_factor.new_recovery_codes(request.user)
    # What was signed in without a code ends.
    sign_in_life.end_all(request.user)
    update_session_auth_hash(request, request.user)
    request.session[second_factor.GIVEN] = True
    note(Kind.FACTOR_ON, request, request.user)
    return codes


def _take_away(request: SignedInRequest) -> HttpResponse:
    if second_factor.is_demanded(request.user):
        raise ValidationError("Codes are demanded of this account here, so they cannot be taken away.")
    second_factor.remove(request.user)
    note(Kind.FACTOR_OFF, request, request.user)
    messages.success(request, "The password alone signs you in from now on.")
    return redirect("account")
