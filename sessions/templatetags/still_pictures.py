"""Charts of a page as still pictures, with the interactive chart behind them."""

from __future__ import annotations

from typing import Any

from django import template

from sessions.drawing.from_above import from_above
from sessions.drawing.still_picture import still_picture

register = template.Library()


@register.inclusion_tag("drawing/still_picture.html", takes_context=True)
def still(context: Any, name: str, label: str) -> dict[str, Any]:
    """The figure of the page with this name, and what it shows in words. Nothing where the page has no such figure."""
    figure = context["figures"].get(name)
    return {"picture": still_picture(figure) if figure else None, "name": name, "label": label}


@register.inclusion_tag("drawing/from_above.html", takes_context=True)
def track_from_above(context: Any, label: str) -> dict[str, Any]:
    """The track of the page's figures. Nothing where the page has none."""
    return {"picture": from_above(context["figures"].get("track")), "label": label}
