"""The way from an empty log to the first session, on the pages that are its steps."""

from __future__ import annotations

from typing import Any

from django import template

from sessions.outings.first_hour import STEPS
from sessions.outings.models import Session

register = template.Library()


@register.inclusion_tag("outings/first_hour.html", takes_context=True)
def first_hour(context: Any) -> dict[str, Any]:
    """The steps, with the one this page is, for as long as there is no session; nothing on other pages."""
    match = context["request"].resolver_match
    page = match.url_name if match else ""
    pages = [step.page for step in STEPS]
    if page not in pages or Session.objects.exists():
        return {"steps": []}
    return {"steps": STEPS, "current": page}
