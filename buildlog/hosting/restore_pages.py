"""Restoring a backup in the browser: by the owner, and at the first start of an empty log."""

from __future__ import annotations

import threading
from typing import Any

from django import forms
from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from buildlog.hosting.backups import asked_restore, retention
from buildlog.hosting.backups.encryption import NeedsKey
from buildlog.hosting.backups.package import NotABackup
from buildlog.hosting.backups.server import DUMP_SUFFIX
from buildlog.hosting.backups.swap import RestoreFailed
from buildlog.hosting.request_size import MB, max_request_size
from buildlog.people import sign_in_limits
from buildlog.people.form_pages import form_page
from buildlog.people.models import Account, Invitation
from buildlog.people.roles import Right, Role, needs
from buildlog.people.signed_in import SignedInRequest

LARGEST_BYTES = 500 * MB
ANSWER_FIRST_S = 0.5
"""The page that says what happens now is sent before the server ends."""


class RestoreForm(forms.Form):
    """A backup that is sent, with the key that opens it if it is encrypted. Valid once the restore is written down."""

    file = forms.FileField(
        label="Backup",
        help_text=f"A file whose name begins with firnlog- and ends in .zip or .zip.age, up to "
        f"{LARGEST_BYTES // MB} MB. Restore a larger one by the command.",
        required=False,
    )
    secret_key = forms.CharField(
        label="Secret key",
        help_text="Of an encrypted backup (.zip.age) only: AGE-SECRET-KEY-1… as it was shown when encryption was set "
        "up. A backup that this log made itself opens without it.",
        required=False,
        strip=True,
        widget=forms.PasswordInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not self.errors:
            self.ask(cleaned)
        return cleaned

    def ask(self, cleaned: dict[str, Any]) -> None:
        """Check the backup and have it restored at the next start; what is wrong becomes an error of its field."""
        file: UploadedFile | None = cleaned.get("file")
        stored: str = cleaned.get("stored") or ""
        if bool(file) == bool(stored):
            self.add_error("file", "Choose a backup to restore: one from the list or one file, not both.")
            return
        try:
            if file is not None:
                content: Any = file.chunks()
                if (file.size or 0) > LARGEST_BYTES:
                    raise NotABackup(f"The file has more than {LARGEST_BYTES // MB} MB.")
            else:
                content = settings.BACKUP_DIR / stored
            name = stored or str(file and file.name)[:100]
            asked_restore.ask(content, name, cleaned.get("secret_key", ""), settings.DATA)
        except NeedsKey as error:
            self.add_error("secret_key", str(error))
        except (NotABackup, RestoreFailed) as error:
            self.add_error("stored" if stored else "file", str(error))


class OwnersRestoreForm(RestoreForm):
    """The owner may choose one that is here, and says the password: everything will be replaced."""

    stored = forms.ChoiceField(label="A backup that is here", required=False)
    password = forms.CharField(
        label="Your password", widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}), strip=False
    )
    field_order = ["stored", "file", "secret_key", "password"]

    def __init__(self, request: SignedInRequest, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request = request
        here = [backup for backup in retention.backups_in(settings.BACKUP_DIR) if backup.suffix != DUMP_SUFFIX][:100]
        choices = [(backup.path.name, f"{backup.made_at:%Y-%m-%d %H:%M} UTC, {backup.path.name}") for backup in here]
        stored = self.fields["stored"]
        assert isinstance(stored, forms.ChoiceField)
        stored.choices = [("", "None: take the file below"), *choices]

    def clean_password(self) -> str:
        return sign_in_limits.own_password(self.request, self.cleaned_data["password"])


@max_request_size(LARGEST_BYTES + 20 * MB)
@form_page
@needs(Right.ADMIT)
def restore_backup(request: SignedInRequest) -> HttpResponse:
    """Put a backup in the place of this log."""
    possible = asked_restore.is_possible()
    form = OwnersRestoreForm(
        request,
        request.POST if request.method == "POST" else None,
        request.FILES if request.method == "POST" else None,
        initial={"stored": request.GET.get("backup", "")},
    )
    if possible and request.method == "POST" and form.is_valid():
        return _restarting(request, reverse("upkeep"))
    refused = form.is_bound and possible
    answer = render(
        request, "hosting/restore_backup.html", {"form": form, "possible": possible}, status=422 if refused else 200
    )
    return sign_in_limits.with_wait(answer, form)


def is_first_start(token: str) -> bool:
    """Whether a link is that of the first owner of an empty log."""
    invitation = Invitation.open_for(token)
    return invitation is not None and invitation.role == Role.OWNER and not Account.objects.exists()


@max_request_size(LARGEST_BYTES + 20 * MB, without_account=lambda request, token: is_first_start(token))
@login_not_required
@never_cache
@form_page
def first_restore(request: HttpRequest, token: str) -> HttpResponse:
    """Begin with a backup of another machine: behind the one-time link of the first owner, while nobody is here."""
    if not is_first_start(token):
        if Account.objects.exists():
            return redirect("sign_in")
        return render(request, "people/invitation_gone.html", status=410)
    possible = asked_restore.is_possible()
    form = RestoreForm(
        request.POST if request.method == "POST" else None, request.FILES if request.method == "POST" else None
    )
    if possible and request.method == "POST" and form.is_valid():
        return _restarting(request, request.path)
    context = {
        "form": form,
        "possible": possible,
        "token": token,
        "outcome": asked_restore.last_outcome(settings.DATA),
    }
    return render(request, "hosting/first_restore.html", context, status=422 if form.is_bound and possible else 200)


def _restarting(request: HttpRequest, following: str) -> HttpResponse:
    threading.Timer(ANSWER_FIRST_S, asked_restore.end_the_server).start()
    response = render(request, "hosting/restarting.html", {"following": following})
    response["Cache-Control"] = "no-store"
    return response
