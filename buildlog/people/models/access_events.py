"""The access log: sign-ins, refusals, and changes of rights."""

from __future__ import annotations

from datetime import timedelta

from django.conf import settings
from django.db import models
from django.utils import timezone


class AccessEvent(models.Model):
    """One entry of the access log. It holds no password and no typed name that is not an account."""

    KEPT_FOR = timedelta(days=90)

    class Kind(models.TextChoices):
        SIGNED_IN = "signed_in", "Signed in"
        WRONG = "wrong", "Wrong name or password"
        TURNED_AWAY = "turned_away", "Turned away: too many tries"
        SIGNED_OUT = "signed_out", "Signed out"
        JOINED = "joined", "Made the account by a link"
        INVITED = "invited", "Invited somebody"
        INVITATION_ENDED = "invitation_ended", "Took an invitation back"
        PASSWORD_CHANGED = "password_changed", "Password changed"
        PASSWORD_LINK = "password_link", "Link for a new password made"
        SESSIONS_ENDED = "sessions_ended", "Sign-ins elsewhere ended"
        ROLE_CHANGED = "role_changed", "Role changed"
        SHUT = "shut", "Account shut"
        OPENED = "opened", "Account opened again"
        DEVICE_MADE = "device_made", "Device's key made"
        DEVICE_ENDED = "device_ended", "Device's key ended"
        LINK_MADE = "link_made", "Read-only link made"
        LINK_ENDED = "link_ended", "Read-only link ended"
        BACKUP_TAKEN = "backup_taken", "Backup downloaded"
        BACKUP_RESTORED = "backup_restored", "Backup restored"
        SESSION_ENDED = "session_ended", "One sign-in ended"
        FACTOR_ON = "factor_on", "One-time codes set up"
        FACTOR_OFF = "factor_off", "One-time codes taken away"
        WRONG_CODE = "wrong_code", "Wrong one-time code"
        RECOVERY_USED = "recovery_used", "Recovery code used"
        RECOVERY_MADE = "recovery_made", "Recovery codes made"

    at = models.DateTimeField(default=timezone.now, db_index=True)
    kind = models.CharField(max_length=16, choices=Kind.choices)
    account = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, null=True, related_name="access_events"
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.SET_NULL, null=True, related_name="+")
    name_hash = models.CharField(max_length=64, blank=True)
    """Hash of the typed name, under the installation's key: people type passwords into the wrong field."""
    address = models.CharField(max_length=45, blank=True)
    known_browser = models.CharField(max_length=32, blank=True)
    detail = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [
            models.Index(fields=["name_hash", "at"], name="access_event_by_name"),
            models.Index(fields=["address", "at"], name="access_event_by_address"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.at:%Y-%m-%d %H:%M}"
