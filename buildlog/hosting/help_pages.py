"""The help texts beside this module, read from Markdown and shown as pages: how to install, keep and understand it.

They are files of the program, never something that somebody typed. Markup of HTML in them is not passed on all the
same, so that the pages keep to the content policy whatever is written there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from django.apps import apps
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.safestring import SafeString, mark_safe
from django.utils.text import slugify
from django.views.decorators.http import require_safe
from markdown_it import MarkdownIt
from markdown_it.token import Token

from buildlog.hosting.version import VERSION
from buildlog.quantities.declared import glossary

FOLDER = Path(__file__).parent / "help"
SLUGS = (
    "lake",
    "desk",
    "before-riding",
    "bench",
    "recordings",
    "comparison",
    "doubts",
    "uncertainty",
    "installation",
    "proxy",
    "backup",
    "growing",
    "security",
    "phone-protocol",
    "quantities",
    "changes",
)
"""In the order of the list of pages: first what is done every week, last what is looked up once."""
FILLED_IN = "<!-- stored quantities -->\n"
"""Where a text has the table that follows from the declarations."""
# Marks a block for the tests, which run it as it stands.
_MARK = re.compile(r"^<!-- .+ -->\n", re.MULTILINE)
_OTHER_PAGE = re.compile(r"^([a-z-]+)\.md(#.*)?$")


@dataclass(frozen=True)
class HelpPage:
    slug: str
    title: str
    summary: str
    html: SafeString


@cache
def help_page_of(slug: str) -> HelpPage:
    """The page of that name. Raises KeyError where there is none.

    A text begins with its title and a paragraph that says what it is about.
    """
    if slug not in SLUGS:
        raise KeyError(slug)
    markdown = MarkdownIt("commonmark", {"html": False}).enable("table")
    text = (FOLDER / f"{slug}.md").read_text(encoding="utf-8").replace(FILLED_IN, _stored_quantities())
    tokens = markdown.parse(_MARK.sub("", text))
    texts = [token.content for token in tokens if token.type == "inline"]
    _lead_to_pages(tokens)
    html = markdown.renderer.render(tokens, markdown.options, {})
    return HelpPage(slug, texts[0], _plain(texts[1]), mark_safe(html))


def _stored_quantities() -> str:
    models = [model for config in apps.get_app_configs() for model in config.get_models()]
    lines = [f"| `{line.name}` | {line.kind} | {line.unit} | {line.label} |" for line in glossary(models)]
    return "\n".join(["| field | kind | unit | of |", "|---|---|---|---|", *lines, ""])


def _lead_to_pages(tokens: list[Token]) -> None:
    """Let links between the files lead from page to page, and headings, tables and listings be what pages have."""
    for place, token in enumerate(tokens):
        if token.type == "heading_open":
            token.attrSet("id", slugify(tokens[place + 1].content))
        elif token.type == "table_open":
            token.attrSet("class", "ledger")
        elif token.type in ("fence", "code_block"):
            # A listing may be wider than the screen: whoever has no mouse scrolls it as well.
            token.attrSet("tabindex", "0")
        for child in token.children or []:
            if child.type == "link_open" and (other := _OTHER_PAGE.match(str(child.attrGet("href")))):
                child.attrSet("href", f"../{other.group(1)}/{other.group(2) or ''}")


def _plain(text: str) -> str:
    """The first sentence, without marks of emphasis and code."""
    return re.split(r"(?<=[.:]) ", re.sub(r"[*`]|\[|\]\([^)]*\)", "", text))[0].rstrip(":.") + "."


@require_safe
def help_index(request: HttpRequest) -> HttpResponse:
    pages = [help_page_of(slug) for slug in SLUGS]
    return render(request, "hosting/help.html", {"pages": pages, "version": VERSION})


@require_safe
def help_page(request: HttpRequest, slug: str) -> HttpResponse:
    try:
        page = help_page_of(slug)
    except KeyError:
        raise Http404 from None
    return render(request, "hosting/help_page.html", {"page": page, "version": VERSION})
