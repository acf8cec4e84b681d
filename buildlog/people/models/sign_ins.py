"""Sign-ins that are open: one for each browser an account is signed in with."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.utils import timezone


class OpenSignIn(models.Model):
    """What is known of a sign-in, to be shown to its owner; the sign-in itself is the framework's session."""

    session_key = models.CharField(max_length=40, unique=True, editable=False)
    account = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="open_sign_ins")
    began_at = models.DateTimeField(default=timezone.now)
    seen_at = models.DateTimeField(default=timezone.now)
    """The day it was last used; written once a day."""
    address = models.CharField(max_length=45, blank=True)
    browser = models.CharField(max_length=60, blank=True)

    class Meta:
        ordering = ["-seen_at", "-pk"]

    def __str__(self) -> str:
        return f"Sign-in of {self.account_id}, {self.began_at:%Y-%m-%d %H:%M}"
