"""The one page that takes a name and a password, and the page behind a link for a new password."""

from __future__ import annotations

from typing import Any

from django.contrib.auth import login
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView, PasswordResetConfirmView
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse_lazy
from django.utils.decorators import method_decorator
from django.views.decorators.cache import never_cache

from buildlog.people import sign_in_life, sign_in_limits
from buildlog.people.access_log import note
from buildlog.people.known_browsers import remember
from buildlog.people.models import AccessEvent, Account
from buildlog.people.password_links import tokens
from buildlog.people.signed_in import SignedInRequest
from buildlog.storage.full_disk import left_out_when_full

Kind = AccessEvent.Kind


class SignInForm(AuthenticationForm):
    """Says the same of a name nobody has, a wrong password and a shut account, and takes as long for each."""

    request: HttpRequest
    wait_s = 0
    error_messages = {
        **AuthenticationForm.error_messages,
        "invalid_login": "This name and password do not belong together. Look at capitals, and try again.",
    }

    def clean(self) -> dict[str, Any]:
        if "username" not in self.cleaned_data or "password" not in self.cleaned_data:
            return self.cleaned_data
        one = sign_in_limits.begin(self.request, self.cleaned_data["username"])
        self.wait_s = one.wait_s
        if one.wait_s:
            raise ValidationError(sign_in_limits.sentence(one.wait_s), code="too_many")
        cleaned = super().clean()
        one.succeeded(self.get_user())
        return cleaned


@method_decorator(login_not_required, name="dispatch")
class SignIn(LoginView):
    http_method_names = ["get", "head", "options", "post"]
    form_class = SignInForm
    template_name = "people/sign_in.html"
    redirect_authenticated_user = True

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        response = super().form_valid(form)
        remember(self.request, response, form.get_user().pk)
        with left_out_when_full("the end of old sessions", or_is_busy=True):
            self.request.session.clear_expired()
        return response

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        response = super().form_invalid(form)
        if isinstance(form, SignInForm) and form.wait_s:
            response.status_code = 429
            response["Retry-After"] = str(form.wait_s)
        return response


class SignOut(LogoutView):
    request: SignedInRequest

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        # On a full disk too the browser is signed out, though the server cannot write it down.
        with left_out_when_full("that somebody signed out"):
            note(Kind.SIGNED_OUT, request, self.request.user)
        response = super().post(request, *args, **kwargs)
        # Photos that were looked at. What the field page holds stays: it may be all there is of a session.
        response["Clear-Site-Data"] = '"cache"'
        return response


@method_decorator([login_not_required, never_cache], name="dispatch")
class NewPassword(PasswordResetConfirmView):
    """Behind a one-time link: sets the password, ends every other sign-in of the account, and signs in."""

    http_method_names = ["get", "head", "options", "post"]
    template_name = "people/new_password.html"
    success_url = reverse_lazy("home")
    token_generator = tokens

    def dispatch(self, *args: Any, **kwargs: Any) -> HttpResponseBase:
        response = super().dispatch(*args, **kwargs)
        if not self.validlink and response.status_code == 200:
            response.status_code = 410
        return response

    def get_user(self, uidb64: str) -> Account | None:
        found = super().get_user(uidb64)
        return found if found is not None and found.is_active else None

    def form_valid(self, form: Any) -> HttpResponse:
        account = form.save()
        sign_in_life.end_all(account)
        login(self.request, account, "django.contrib.auth.backends.ModelBackend")
        note(Kind.PASSWORD_CHANGED, self.request, account, detail="by a link")
        response = redirect(self.success_url)
        remember(self.request, response, account.pk)
        return response
