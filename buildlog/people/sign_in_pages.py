"""The sign-in page, sign-out, and the page behind a link for a new password."""

from __future__ import annotations

from typing import Any

from django.contrib.auth import login
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import AuthenticationForm, SetPasswordForm
from django.contrib.auth.views import LoginView, LogoutView, PasswordResetConfirmView
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse_lazy
from django.utils.decorators import method_decorator
from django.views.decorators.cache import never_cache

from buildlog.people import second_factor, sign_in_life, sign_in_limits
from buildlog.people.access_log import note
from buildlog.people.known_browsers import note_left, remember
from buildlog.people.models import AccessEvent, Account
from buildlog.people.password_links import tokens
from buildlog.people.password_rules import use_plain_words
from buildlog.people.signed_in import SignedInRequest
from buildlog.storage.full_disk import skip_when_full

Kind = AccessEvent.Kind


class SignInForm(AuthenticationForm):
    """Gives the same answer, after the same time, for an unknown name, a wrong password and a closed account."""

    request: HttpRequest
    wait_s = 0
    error_messages = {
        **AuthenticationForm.error_messages,
        "invalid_login": "This name and password do not belong together. Look at capitals, and try again.",
    }

    def clean(self) -> dict[str, Any]:
        if "username" not in self.cleaned_data or "password" not in self.cleaned_data:
            return self.cleaned_data
        attempt = sign_in_limits.begin(self.request, self.cleaned_data["username"])
        self.wait_s = attempt.wait_s
        if attempt.wait_s:
            raise ValidationError(sign_in_limits.sentence(attempt.wait_s), code="too_many")
        cleaned = super().clean()
        if second_factor.is_set_up(self.get_user()):
            attempt.was_right()  # Signed in only after the code.
        else:
            attempt.succeeded(self.get_user())
        return cleaned


@method_decorator(login_not_required, name="dispatch")
class SignIn(LoginView):
    http_method_names = ["get", "head", "options", "post"]
    form_class = SignInForm
    template_name = "people/sign_in.html"
    redirect_authenticated_user = True

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        account: Any = form.get_user()
        if second_factor.is_set_up(account):
            second_factor.wait_for_code(self.request, account, self.get_success_url())
            return redirect("sign_in_code")
        response = super().form_valid(form)
        remember(self.request, response, form.get_user().pk)
        with skip_when_full("the end of old sessions", or_is_busy=True):
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
        # The browser is signed out also on a full disk, where the server cannot log it.
        with skip_when_full("that somebody signed out"):
            note(Kind.SIGNED_OUT, request, self.request.user)
        response = super().post(request, *args, **kwargs)
        # Clears cached photos. The field page's own storage stays: it may hold the only copy of a session.
        response["Clear-Site-Data"] = '"cache"'
        note_left(response)
        return response


class NewPasswordForm(SetPasswordForm):  # type: ignore[type-arg]  # cannot be given one where it runs
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        use_plain_words(self, "new_password1", "new_password2")


@method_decorator([login_not_required, never_cache], name="dispatch")
class NewPassword(PasswordResetConfirmView):
    """Behind a one-time link: sets the password, ends every other sign-in of the account, and signs in."""

    http_method_names = ["get", "head", "options", "post"]
    template_name = "people/new_password.html"
    form_class = NewPasswordForm
    success_url = reverse_lazy("home")
    token_generator = tokens

    def dispatch(self, *args: Any, **kwargs: Any) -> HttpResponseBase:
        response = super().dispatch(*args, **kwargs)
        if not self.validlink and response.status_code == 200:
            response.status_code = 410
        return response

    def get_user(self, uidb64: str) -> Account | None:
        account = super().get_user(uidb64)
        return account if account is not None and account.is_active else None

    def form_valid(self, form: Any) -> HttpResponse:
        account = form.save()
        sign_in_life.end_all(account)
        if second_factor.is_set_up(account):
            note(Kind.PASSWORD_CHANGED, self.request, account, detail="by a link")
            second_factor.wait_for_code(self.request, account, str(self.success_url))
            return redirect("sign_in_code")
        login(self.request, account, "django.contrib.auth.backends.ModelBackend")
        note(Kind.PASSWORD_CHANGED, self.request, account, detail="by a link")
        response = redirect(self.success_url)
        remember(self.request, response, account.pk)
        return response
