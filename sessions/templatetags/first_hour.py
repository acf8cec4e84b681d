"""The way from an empty log to the first session, on the pages that are its steps."""

from __future__ import annotations

from typing import Any

from django import template

from buildlog.machines.models import Vehicle
from sessions.outings.first_steps import first_steps
from sessions.outings.models import Session

register = template.Library()
PAGES = ("new_vehicle", "made_of", "new_venue", "new_gate", "new_session")
"""The pages of the steps, in their order."""


@register.inclusion_tag("outings/first_hour.html", takes_context=True)
def first_hour(context: Any) -> dict[str, Any]:
    """The steps, with the one this page is, for as long as there is no session; nothing on other pages."""
    match = context["request"].resolver_match
    page = match.url_name if match else ""
    if page not in PAGES or Session.objects.exists():
        return {"steps": []}
    steps = first_steps(Vehicle.objects.order_by("created_at").first())
    return {"steps": steps, "current": PAGES.index(page)}
