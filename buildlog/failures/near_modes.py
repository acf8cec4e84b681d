"""Modes that may be one: offered for joining as soon as a new name is stored."""

from __future__ import annotations

from django.contrib import messages
from django.utils.html import format_html

from buildlog.failures.models import FailureMode
from buildlog.people.signed_in import SignedInRequest
from calc.mode_names import near


def near_modes(mode: FailureMode) -> list[FailureMode]:
    """Modes with names near to that of a mode, the nearest first."""
    others = {other.name: other for other in FailureMode.objects.exclude(pk=mode.pk)}
    return [others[name] for name in near(mode.name, others)]


def offer_joining(request: SignedInRequest, mode: FailureMode) -> None:
    """Say that a mode that has just been named for the first time may be one of those that are known."""
    if mode.failures.count() > 1:
        return
    for other in near_modes(mode)[:1]:
        messages.warning(
            request,
            format_html(
                'Is “{}” the same as “{}”? <a href="{}">Join the two</a>, and their failures count together.',
                mode,
                other,
                mode.get_absolute_url(),
            ),
        )
