"""The panel of doubts on the pages of records."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import template

from sessions.evidence.doubts import OpenDoubt, by_record, doubts_about

register = template.Library()


@register.inclusion_tag("evidence/doubt_panel.html", takes_context=True)
def doubts_of(context: Any, record: Any) -> dict[str, Any]:
    """What is doubted about one record, on the page of which it is the only one."""
    listed = doubts_about(record).listed_of(record, context.get("unit_system", "metric"))
    return {**_page(context), "records": by_record(listed), "named": False}


@register.inclusion_tag("evidence/doubt_panel.html", takes_context=True)
def doubt_panel(context: Any, doubts: Iterable[OpenDoubt], named: bool = True) -> dict[str, Any]:
    """Doubts of several records, each with its name."""
    return {**_page(context), "records": by_record(doubts), "named": named}


def _page(context: Any) -> dict[str, Any]:
    request = context["request"]
    return {name: context.get(name) for name in ("may_log", "may_build", "unit_system", "csrf_token")} | {
        "back": request.get_full_path(),
        "system": context.get("unit_system", "metric"),
    }


@register.simple_tag(takes_context=True)
def mend_words(context: Any, mend: Any) -> str:
    """A mend as its button says it, in the reader's units."""
    words: str = mend.words(context.get("system") or "metric")
    return words
